"""Wow, once per revolution, and slip: the pitch of everything sinks and comes back."""

from __future__ import annotations

import numpy as np

from sidekeep.dsp.pitch import chance_swing, dips, pitch_steps, purity, swing
from sidekeep.dsp.spectra import cell_frames
from sidekeep.findings.scene import Scene
from sidekeep.findings.speed import measured_turn_s
from sidekeep.model import Finding, Severity, Span

_SPAN_CELLS = 6
_SURE = 2.5  # against the largest swing at periods that no revolution has
_PURE = 1.5  # once per revolution against its harmonics
_DIP_LENGTHS_S = (1.5, 2.5)
_LEAST_CELLS = 400


def find(scene: Scene, *, wow_percent: float, slip_percent: float) -> tuple[Finding, ...]:
    """Follow the common pitch of all sustained tones.

    A singer's vibrato is faster than the platter and is not shared by all tones.

    Args:
        scene: the side.
        wow_percent: peak deviation, once per revolution, from which wow is worth hearing.
        slip_percent: depth of a dip in pitch, over one to three seconds, that is a slip.
    """
    frames = cell_frames(scene.seen.rate_hz)
    first, last = scene.side.programme.start // frames, scene.side.programme.end // frames
    steps = pitch_steps(scene.seen.events.tone_hz[first:last], _SPAN_CELLS)
    if steps.size < _LEAST_CELLS:
        return ()
    cell_s = frames / scene.seen.rate_hz
    return (
        *_wow(scene, steps, cell_s, wow_percent),
        *_slips(scene, steps, cell_s, first, slip_percent),
    )


def _wow(
    scene: Scene, steps: np.ndarray, cell_s: float, listen_percent: float
) -> tuple[Finding, ...]:
    measured = measured_turn_s(scene)
    turns = (measured[1],) if measured else scene.periods_s()
    found = []
    for turn_s in turns:
        times = {"span_s": _SPAN_CELLS * cell_s, "cell_s": cell_s, "turn_s": turn_s}
        percent = 100 * swing(steps, **times)
        if percent < listen_percent or percent < _SURE * 100 * chance_swing(steps, **times):
            continue
        if purity(steps, cell_s=times["cell_s"], turn_s=turn_s) >= _PURE:
            found.append((percent, turn_s))
    if not found:
        return ()
    percent, turn_s = max(found)
    detail = f"The pitch swings by {percent:.1f} % either way once per revolution."
    numbers = {"wow_percent": round(percent, 2), "turn_s": round(turn_s, 3)}
    return (Finding("wow", Severity.LISTEN, scene.side.programme, detail, numbers),)


def _slips(
    scene: Scene, steps: np.ndarray, cell_s: float, offset: int, slip_percent: float
) -> tuple[Finding, ...]:
    depth, length = np.zeros(steps.size), np.zeros(steps.size)
    for length_s in _DIP_LENGTHS_S:
        fitted = -100 * dips(steps, span=_SPAN_CELLS, length=round(length_s / cell_s))
        length = np.where(fitted > depth, length_s, length)
        depth = np.maximum(depth, fitted)
    findings: list[Finding] = []
    frames = cell_frames(scene.seen.rate_hz)
    apart = round(max(_DIP_LENGTHS_S) / cell_s)
    while depth.size and depth.max() >= slip_percent:
        deepest = int(depth.argmax())
        half_s = float(length[deepest]) / 2
        middle = (deepest + offset + _SPAN_CELLS / 2) * frames
        reach = half_s * scene.seen.rate_hz
        span = Span(max(0, round(middle - reach)), round(middle + reach))
        percent = float(depth[deepest])
        detail = (
            f"The platter slipped at {scene.clock(span.start)}: the pitch sank by {percent:.1f} %."
        )
        numbers = {"depth_percent": round(percent, 1)}
        findings.append(Finding("slip", Severity.LISTEN, span, detail, numbers))
        depth[max(0, deepest - apart) : deepest + apart] = 0.0
    return tuple(findings)
