"""Clicks: how many a minute, and a scratch as ticks once per revolution."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.clicks import MARGIN_TICKS, click_ticks, contrast_db, periodic_chain
from sidekeep.dsp.revolution import repetition
from sidekeep.findings.scene import PIECE_TICKS, Scene
from sidekeep.findings.speed import measured_turn_s
from sidekeep.model import Finding, Severity, Span

_LEAST_GROOVE_S = 4.0
_MEASURED_TOLERANCE, _NOMINAL_TOLERANCE = 0.003, 0.012
_SCRATCH_STAND_OUT_DB, _SCRATCH_LEVEL_DB = 8.0, -28.0
_SCRATCH_CONTRAST_DB = 14.0  # of most of its ticks; drums on the beat of a turn are duller
_MUSIC_REPEATS = 0.4  # likeness of turns from which the music itself returns every turn


def find(
    scene: Scene, *, stand_out_db: float, level_db: float, listen_per_minute: float
) -> tuple[Finding, ...]:
    """Count clicks over the programme, and where only the groove is heard, which hides nothing.

    Args:
        scene: the side.
        stand_out_db: how far a click rises above the treble around it.
        level_db: the least level of its edge.
        listen_per_minute: the rate from which a person should hear the side; a click counts as
            many times as its edge is higher than the least.
    """
    first, last = scene.ticks(scene.side.programme)
    ticks, edge_db = _clicks(scene, first, last, stand_out_db, level_db)
    minutes = max(1, last - first) / scene.ticks_per_second / 60
    rate = ticks.size / minutes
    weight = float(_weights(edge_db, level_db).sum()) / minutes
    groove, groove_weight = _groove_rate(scene, stand_out_db, level_db) or (None, None)
    if ticks.size == 0 and not groove:
        return ()
    # Dirt is everywhere; clicks that the music alone has are the music's.
    dirty = groove_weight is None or groove_weight >= listen_per_minute / 3
    loud = dirty and weight >= listen_per_minute
    severity = Severity.LISTEN if loud else Severity.NOTE
    loudest = np.sort(ticks[np.argsort(edge_db)[-3:]])
    tick = scene.seen.events.tick_frames
    places = ", ".join(scene.clock(place * tick) for place in loudest.tolist())
    numbers = {"clicks_per_minute": round(rate, 1), "weighted_per_minute": round(weight, 1)}
    detail = f"{rate:.0f} clicks a minute stand out of the music"
    if groove is not None:
        numbers["groove_clicks_per_minute"] = round(groove, 1)
        detail += f", {groove:.0f} where it is silent"
    detail += f"; the loudest at {places}." if places else "."
    return (Finding("clicks", severity, scene.side.programme, detail, numbers),)


def _clicks(
    scene: Scene, first: int, last: int, stand_out_db: float, level_db: float
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """The clicks between two ticks and the levels of their edges, looked for piece by piece."""
    ticks, levels_db = [np.zeros(0, np.int64)], [np.zeros(0, np.float32)]
    for start in range(first, last, PIECE_TICKS):
        before = max(first, start - MARGIN_TICKS)
        treble = scene.edges_db(before, min(last, start + PIECE_TICKS + MARGIN_TICKS))[0]
        some = click_ticks(treble, stand_out_db=stand_out_db, level_db=level_db)
        some = some[(some >= start - before) & (some < start - before + PIECE_TICKS)]
        ticks.append(some + before)
        levels_db.append(treble[some])
    return np.concatenate(ticks), np.concatenate(levels_db)


def _weights(edge_db: NDArray[np.float32], level_db: float) -> NDArray[np.float32]:
    weights: NDArray[np.float32] = np.exp(
        (edge_db - np.float32(level_db)) * np.float32(np.log(10) / 20)
    )
    return weights


def _groove_rate(scene: Scene, stand_out_db: float, level_db: float) -> tuple[float, float] | None:
    """Clicks a minute in the groove noise, less one per revolution: the run-out's own tick.

    The second value is the rate by weight; None when there is too little groove to say.
    """
    weights: list[NDArray[np.float32]] = []
    seconds = 0.0
    for span in scene.side.groove:
        first, last = scene.ticks(span)
        edge_db = _clicks(scene, first, last, stand_out_db, level_db)[1]
        weights.append(_weights(edge_db, level_db))
        seconds += (last - first) / scene.ticks_per_second
    if seconds < _LEAST_GROOVE_S:
        return None
    found = np.concatenate(weights)
    own = seconds / min(scene.periods_s())
    share = max(0.0, found.size - own) / max(1, found.size)
    return share * found.size / seconds * 60, share * float(found.sum()) / seconds * 60


def find_scratch(scene: Scene) -> tuple[Finding, ...]:
    """Look for clicks that return once per revolution over many turns.

    Music that itself returns every revolution cannot be told from a scratch and is left alone.

    Args:
        scene: the side.
    """
    first, last = scene.ticks(scene.side.programme)
    ticks = _clicks(scene, first, last, _SCRATCH_STAND_OUT_DB, _SCRATCH_LEVEL_DB)[0] - first
    measured = measured_turn_s(scene)
    tolerance = _MEASURED_TOLERANCE if measured else _NOMINAL_TOLERANCE
    for period_s in (measured[1],) if measured else scene.periods_s():
        turn = period_s * scene.ticks_per_second
        chain = periodic_chain(
            ticks, total_ticks=last - first, turn_ticks=turn, tolerance=tolerance
        )
        if chain is None:
            continue
        start, end = chain.ticks[0], chain.ticks[-1]
        begins = max(0, start - int(2 * turn))
        around = scene.edges_db(first + begins, min(last, first + end + int(turn)))
        contrast = contrast_db(around[0])[np.asarray(chain.ticks) - begins]
        if np.median(contrast) < _SCRATCH_CONTRAST_DB:
            continue
        music = repetition(around, turn_ticks=turn, tolerance=0.02, hop_ticks=int(turn / 3))
        if music.likeness.size and np.median(music.likeness) >= _MUSIC_REPEATS:
            continue
        tick = scene.seen.events.tick_frames
        span = Span((start + first) * tick, (end + first + 1) * tick)
        detail = (
            f"A scratch ticks once per revolution from {scene.clock(span.start)} on, "
            f"{len(chain.ticks)} times."
        )
        turn_s = round(chain.turn_ticks / scene.ticks_per_second, 3)
        numbers = {"ticks": float(len(chain.ticks)), "turn_s": turn_s}
        return (Finding("scratch", Severity.LISTEN, span, detail, numbers),)
    return ()
