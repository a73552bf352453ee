"""Clicks: how many a minute, and a scratch as ticks once per revolution."""

from __future__ import annotations

import numpy as np

from sidekeep.dsp.clicks import click_ticks, periodic_chain
from sidekeep.dsp.revolution import repetition
from sidekeep.findings.scene import Scene
from sidekeep.findings.speed import measured_turn_s
from sidekeep.model import Finding, Severity, Span

_LEAST_GROOVE_S = 2.5
_MEASURED_TOLERANCE, _NOMINAL_TOLERANCE = 0.003, 0.012
_SCRATCH_STAND_OUT_DB, _SCRATCH_LEVEL_DB = 8.0, -32.0
_MUSIC_REPEATS = 0.4  # likeness of turns from which the music itself returns every turn


def find(
    scene: Scene, *, stand_out_db: float, level_db: float, listen_per_minute: float
) -> tuple[Finding, ...]:
    """Count clicks over the programme, and where only the groove is heard, which hides nothing.

    Args:
        scene: the side.
        stand_out_db: how far a click rises above the treble around it.
        level_db: the least level of its edge.
        listen_per_minute: the rate from which a person should hear the side.
    """
    first, last = scene.ticks(scene.side.programme)
    treble = scene.edges_db(first, last)[0]
    ticks = click_ticks(treble, stand_out_db=stand_out_db, level_db=level_db)
    minutes = max(1, last - first) / scene.ticks_per_second / 60
    rate = ticks.size / minutes
    groove = _groove_rate(scene, stand_out_db, level_db)
    if ticks.size == 0 and not groove:
        return ()
    # Dirt is everywhere; clicks that the music alone has are the music's.
    dirty = groove is None or groove >= listen_per_minute / 3
    loud = dirty and max(rate, groove or 0.0) >= listen_per_minute
    severity = Severity.LISTEN if loud else Severity.NOTE
    loudest = np.sort(ticks[np.argsort(treble[ticks])[-3:]]) + first
    tick = scene.seen.events.tick_frames
    places = ", ".join(scene.clock(place * tick) for place in loudest.tolist())
    numbers = {"clicks_per_minute": round(rate, 1)}
    detail = f"{rate:.0f} clicks a minute stand out of the music"
    if groove is not None:
        numbers["groove_clicks_per_minute"] = round(groove, 1)
        detail += f", {groove:.0f} where it is silent"
    detail += f"; the loudest at {places}." if places else "."
    return (Finding("clicks", severity, scene.side.programme, detail, numbers),)


def _groove_rate(scene: Scene, stand_out_db: float, level_db: float) -> float | None:
    """Clicks a minute in the groove noise, less one per revolution: the run-out's own tick."""
    count, seconds = 0, 0.0
    for span in scene.side.groove:
        treble = scene.edges_db(*scene.ticks(span))[0]
        count += click_ticks(treble, stand_out_db=stand_out_db, level_db=level_db).size
        seconds += treble.size / scene.ticks_per_second
    if seconds < _LEAST_GROOVE_S:
        return None
    return max(0.0, count - seconds / min(scene.periods_s())) / seconds * 60


def find_scratch(scene: Scene) -> tuple[Finding, ...]:
    """Look for clicks that return once per revolution over many turns.

    Music that itself returns every revolution cannot be told from a scratch and is left alone.

    Args:
        scene: the side.
    """
    first, last = scene.ticks(scene.side.programme)
    edges = scene.edges_db(first, last)
    ticks = click_ticks(edges[0], stand_out_db=_SCRATCH_STAND_OUT_DB, level_db=_SCRATCH_LEVEL_DB)
    measured = measured_turn_s(scene)
    tolerance = _MEASURED_TOLERANCE if measured else _NOMINAL_TOLERANCE
    for period_s in (measured[1],) if measured else scene.periods_s():
        turn = period_s * scene.ticks_per_second
        chain = periodic_chain(
            ticks, total_ticks=last - first, turn_ticks=turn, tolerance=tolerance
        )
        if chain is None:
            continue
        around = edges[:, max(0, chain.first - int(2 * turn)) : chain.last + int(turn)]
        music = repetition(around, turn_ticks=turn, tolerance=0.02, hop_ticks=int(turn / 3))
        if music.likeness.size and np.median(music.likeness) >= _MUSIC_REPEATS:
            continue
        tick = scene.seen.events.tick_frames
        span = Span((chain.first + first) * tick, (chain.last + first + 1) * tick)
        detail = (
            f"A scratch ticks once per revolution from {scene.clock(span.start)} on, "
            f"{chain.hits} times."
        )
        turn_s = round(chain.turn_ticks / scene.ticks_per_second, 3)
        numbers = {"ticks": float(chain.hits), "turn_s": turn_s}
        return (Finding("scratch", Severity.LISTEN, span, detail, numbers),)
    return ()
