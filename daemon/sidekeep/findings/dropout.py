"""Dropouts: samples that the recorder lost, froze or wrote twice."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.gathering import let_go
from sidekeep.findings.breaks import Break
from sidekeep.findings.scene import Scene, graded, stretches
from sidekeep.model import Finding, Severity, Span

_LEAST_HELD_S = 0.8e-3
_AROUND_CELLS = 3
_SHORT_CELLS = 25
_LOUD, _ANY = 100.0, 0.5  # peak power against the groove noise beside a long and a short dropout
_LEAST_NOISE = 1e-4  # against the loud programme: a noise gate leaves no groove noise to read
_ANCHORS = 2
_ANCHOR_REACH_S = 0.15


def find(
    scene: Scene, breaks: tuple[Break, ...], *, listen: float, again: float
) -> tuple[Finding, ...]:
    """Look for frozen samples inside the programme, and for buffers lost or written twice.

    Silence that a noise gate put into a gap fades into and out of nothing; a dropout does not.

    Args:
        scene: the side.
        breaks: where the music breaks.
        listen: logarithm of the odds of a break from which a person should hear the place.
        again: the same from which samples were surely lost.
    """
    told = (*_frozen(scene), *_repeated(scene))
    lost = (
        Finding(
            "dropout",
            graded(one.score, listen=listen, again=again),
            one.span,
            f"The recorder lost samples at {scene.clock(one.span.start)}{_about(one.lost_s)}.",
            _lost_numbers(one),
        )
        for one in breaks
        if one.score >= listen and one.lost and not _among(told, one.span, scene.seen.rate_hz)
    )
    return (*told, *lost)


def _lost_numbers(one: Break) -> dict[str, float]:
    numbers = {"log_odds": round(one.score, 1)}
    return {"length_ms": round(1000 * one.lost_s, 1), **numbers} if one.lost_s else numbers


def _about(lost_s: float) -> str:
    """How much is missing; where that cannot be told, a spark in the cable looks alike."""
    return f", about {1000 * lost_s:.0f} ms" if lost_s else ", or something electrical clicked"


def _among(told: tuple[Finding, ...], span: Span, rate_hz: int) -> bool:
    reach = _ANCHOR_REACH_S * rate_hz
    return any(one.span.start - reach < span.start < one.span.end + reach for one in told)


def _frozen(scene: Scene) -> list[Finding]:
    capture = scene.seen.capture
    cells = scene.captured(scene.side.programme)
    noise = max(float(scene.groove_power().max()), _LEAST_NOISE * scene.loud_power())
    held = capture.held[:, cells]
    at_top = capture.flat[:, cells].max(axis=2) > 0
    let_go(capture.flat)
    still = ((held >= _LEAST_HELD_S * capture.rate_hz) & ~at_top).any(axis=0)
    let_go(held)
    power = capture.peaks[:, cells].max(axis=(0, 2)) ** 2
    let_go(capture.peaks)
    findings = []
    for start, end in stretches(still, join=1):
        before, after = power[max(0, start - _AROUND_CELLS) : start], power[end:][:_AROUND_CELLS]
        if not before.size or not after.size:
            continue
        around = min(before.max(), after.max())
        if around < (_ANY if end - start <= _SHORT_CELLS else _LOUD) * noise:
            continue
        span = Span(
            scene.captured_frame(cells.start + start), scene.captured_frame(cells.start + end)
        )
        length_ms = float(held[:, start:end].max(axis=0).sum()) / capture.rate_hz * 1000
        detail = f"The recorder lost {length_ms:.0f} ms at {scene.clock(span.start)}."
        findings.append(
            Finding("dropout", Severity.AGAIN, span, detail, {"length_ms": round(length_ms, 1)})
        )
    return findings


def _repeated(scene: Scene) -> list[Finding]:
    capture = scene.seen.capture
    programme = scene.captured(scene.side.programme)
    first, last = programme.start * capture.cell_frames, programme.stop * capture.cell_frames
    inside = (capture.repeat_frame >= first) & (capture.repeat_frame < last)
    frames, lags = capture.repeat_frame[inside], capture.repeat_lag[inside]
    findings = []
    for start, end in _agreeing(frames, lags, round(_ANCHOR_REACH_S * capture.rate_hz)):
        cell = capture.cell_frames
        place = scene.captured_frame(int(frames[start]) / cell)
        span = Span(place, scene.captured_frame(int(frames[end - 1]) / cell) + 1)
        length_ms = float(lags[start]) / capture.rate_hz * 1000
        detail = f"The recorder wrote a buffer of {length_ms:.0f} ms twice at {scene.clock(place)}."
        findings.append(
            Finding("dropout", Severity.AGAIN, span, detail, {"length_ms": round(length_ms, 1)})
        )
    return findings


def _agreeing(
    frames: NDArray[np.int64], lags: NDArray[np.int64], reach: int
) -> list[tuple[int, int]]:
    """Runs of anchors that repeat at one and the same distance, close together."""
    if frames.size < _ANCHORS:
        return []
    same = (np.diff(lags) == 0) & (np.diff(frames) <= reach)
    return [(start, end + 1) for start, end in stretches(same) if end + 1 - start >= _ANCHORS]
