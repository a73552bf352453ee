"""Wow, once per revolution, and slip: the pitch of everything sinks and comes back."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.pitch import chance_swing_odds, swing
from sidekeep.dsp.slips import bends, steps
from sidekeep.findings.scene import Scene
from sidekeep.findings.speed import measured_turn_s
from sidekeep.model import Finding, Severity, Span

_WOW_SURE = 12.0  # natural logarithm of the odds; periods of no revolution reach 10 by chance
_OVER_CHANCE = 2.0
_SLIP_SURE = 14.0  # music reaches 9 by chance, a run-out full of clicks 12
_ROUNDING = 1e-6  # changes come in steps of half a per cent
_NEAR_STEP_S = 4.0  # so far from where tracks may meet another pitch is one of the record
_LEAST_CELLS = 80  # ten seconds


def find(
    scene: Scene, *, wow_percent: float, slip_percent: float, step_percent: float
) -> tuple[Finding, ...]:
    """Follow the common pitch of all tones.

    A singer's vibrato is faster than the platter, and neither it nor a free tempo moves all tones
    alike. Where nothing has a pitch, in drums alone, neither wow nor slip can be told.

    Args:
        scene: the side.
        wow_percent: peak deviation, once per revolution, from which wow is worth hearing.
        slip_percent: depth of a bend in pitch, over one to three seconds, that is a slip.
        step_percent: change of pitch that is a slip when it stays.
    """
    frames = scene.seen.events.held_frames
    first, last = (
        edge // frames for edge in (scene.side.programme.start, scene.side.programme.end)
    )
    tones = scene.seen.events.held_hz[first:last]
    if len(tones) < _LEAST_CELLS:
        return ()
    slipped = _slips(scene, tones, first, slip_percent, step_percent)
    return (*_wow(scene, tones, wow_percent), *slipped)


def _wow(scene: Scene, tones: NDArray[np.float32], listen_percent: float) -> tuple[Finding, ...]:
    cell_s = scene.seen.events.held_frames / scene.seen.rate_hz
    measured = measured_turn_s(scene)
    turns_s = (measured[1],) if measured else scene.periods_s()
    swings = {turn_s: swing(tones, cell_s, turn_s) for turn_s in turns_s}
    turn_s = max(turns_s, key=lambda one_s: swings[one_s].odds)
    found = swings[turn_s]
    percent = 100 * found.deviation
    if found.odds < _WOW_SURE or percent < listen_percent:
        return ()
    if found.odds < _OVER_CHANCE * chance_swing_odds(tones, cell_s, turn_s):
        return ()
    detail = f"The pitch swings by {percent:.1f} % either way once per revolution."
    numbers = {
        "wow_percent": round(percent, 2),
        "turn_s": round(turn_s, 3),
        "log_odds_of_wow": round(found.odds, 1),
    }
    return (Finding("wow", Severity.LISTEN, scene.side.programme, detail, numbers),)


def _slips(
    scene: Scene, tones: NDArray[np.float32], first: int, slip_percent: float, step_percent: float
) -> tuple[Finding, ...]:
    lasting = _lasting_slips(scene, tones, first, step_percent)
    frames, rate_hz = scene.seen.events.held_frames, scene.seen.rate_hz
    found = bends(tones, frames / rate_hz)
    # A cell lasts two of `frames`; a slip that begins in its middle begins one later.
    starts = (np.arange(len(tones)) + first + 1) * frames
    ends = starts + found.length_s * rate_hz
    sure = (100 * np.abs(found.change) >= slip_percent - _ROUNDING) & (
        found.over_else >= _SLIP_SURE
    )
    odds = np.where(sure, found.odds, -np.inf)
    near = _NEAR_STEP_S * rate_hz
    elsewhere = [Span(round(one.span.start - near), round(one.span.end + near)) for one in lasting]
    for span in (*scene.side.groove, *elsewhere):
        odds[(starts < span.end) & (ends > span.start)] = -np.inf
    findings = list(lasting)
    while np.isfinite(odds.max()):
        likeliest = int(odds.argmax())
        span = Span(int(starts[likeliest]), round(ends[likeliest]))
        percent = 100 * float(found.change[likeliest])
        way = "sank" if percent < 0 else "rose"
        detail = (
            f"The platter slipped at {scene.clock(span.start)}: "
            f"the pitch {way} by {abs(percent):.1f} % and came back."
        )
        numbers = {
            "change_percent": round(percent, 1),
            "log_odds_of_slip": round(float(found.over_else[likeliest]), 1),
        }
        findings.append(Finding("slip", Severity.LISTEN, span, detail, numbers))
        odds[(starts < span.end) & (ends > span.start)] = -np.inf
    return tuple(findings)


def _lasting_slips(
    scene: Scene, tones: NDArray[np.float32], first: int, step_percent: float
) -> tuple[Finding, ...]:
    """Changes of speed that stay; between two tracks another tuning is no change of speed."""
    frames = scene.seen.events.held_frames
    away = _NEAR_STEP_S * scene.seen.rate_hz
    borders = scene.borders()
    findings = []
    for step in steps(tones):
        # The pitch changes between the middles of this cell and of the one before.
        at = round((step.cell + first + 0.5) * frames)
        percent = 100 * abs(step.change)
        if percent < step_percent or any(a - away < at < b + away for a, b in borders):
            continue
        way = "higher" if step.change > 0 else "lower"
        detail = (
            f"The platter changed its speed at {scene.clock(at)}: "
            f"the pitch stays {percent:.1f} % {way}."
        )
        numbers = {"change_percent": round(100 * step.change, 1), "fit_gained": round(step.gain, 2)}
        span = Span(at, at + frames)
        findings.append(Finding("slip", Severity.LISTEN, span, detail, numbers))
    return tuple(findings)
