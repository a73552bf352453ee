"""Clipping: the converter's rail, or flat tops below it where a preamplifier gave out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.findings.scene import Scene, graded, stretches
from sidekeep.model import Finding, Severity, Span

_FULL_SCALE = 1 - 2.0**-14  # a 16-bit converter's largest code is 1 - 2**-15
_RAIL_RUN = 3  # samples at the converter's rail in a row
_TOP_RUN_S = 90e-6  # flat tops below it must be longer: smooth waves linger as well
_SAME_LEVEL = 4e-4  # tops of one rail agree to this part
_SQUARE_SHARE = 0.4  # a square wave spends more of its time at the top than any clipped music


def find(scene: Scene, *, listen_spots: float, again_spots: float) -> tuple[Finding, ...]:
    """Count 10 ms cells that touch the converter's rail, and cells with equal flat tops below it.

    Args:
        scene: the side.
        listen_spots: clipped places from which a person should hear them.
        again_spots: clipped places from which the side is to be played again at a lower gain.
    """
    capture = scene.seen.capture
    cells = scene.captured(scene.side.needle_down)
    peaks, flat = capture.peaks[:, cells], capture.flat[:, cells]
    square = flat > _SQUARE_SHARE * capture.cell_frames
    rail = (peaks >= _FULL_SCALE) & (flat >= _RAIL_RUN) & ~square
    tops = _flat_tops(peaks, np.where(square, 0, flat), capture.rate_hz)
    findings = []
    for marks, kind in ((rail, "full scale"), (tops & ~rail, "flat tops")):
        spots = len(_spots(marks))
        if not spots:
            continue
        severity = graded(spots, listen=listen_spots, again=again_spots)
        if kind == "flat tops" and severity is Severity.NOTE:
            continue
        findings.append(_told(scene, kind, marks, severity))
    return tuple(findings)


def _flat_tops(
    peaks: NDArray[np.float32], flat: NDArray[np.uint16], rate_hz: int
) -> NDArray[np.bool_]:
    """Cells whose flat top lies at the level that most flat tops of that channel and side share."""
    marks = np.zeros(peaks.shape, np.bool_)
    long_enough = (flat >= max(4, _TOP_RUN_S * rate_hz)) & (peaks < _FULL_SCALE)
    for channel in range(peaks.shape[0]):
        for side in range(2):
            where = np.flatnonzero(long_enough[channel, :, side])
            if where.size < 3:
                continue
            levels = np.sort(peaks[channel, where, side])
            reach = np.searchsorted(levels, levels * (1 + _SAME_LEVEL), side="right")
            sizes = reach - np.arange(levels.size)
            best = int(sizes.argmax())
            rail = levels[best]
            if rail < 0.9 * peaks[channel, :, side].max():
                continue
            level = peaks[channel, :, side]
            at_rail = (level >= rail) & (level <= rail * (1 + _SAME_LEVEL))
            marks[channel, :, side] = long_enough[channel, :, side] & at_rail
    return marks


def _told(scene: Scene, kind: str, marks: NDArray[np.bool_], severity: Severity) -> Finding:
    """Put one rail's clipped cells into words; `marks` covers the cells of the stylus's time."""
    cells = scene.captured(scene.side.needle_down)
    spots = _spots(marks)
    span = Span(
        scene.captured_frame(cells.start + spots[0][0]),
        scene.captured_frame(cells.start + spots[-1][1]),
    )
    level_db = float(20 * np.log10(scene.seen.capture.peaks[:, cells][marks].max()))
    where = "the converter's full scale" if kind == "full scale" else f"{level_db:.1f} dBFS"
    what = "once" if len(spots) == 1 else f"{len(spots)} times"
    numbers = {
        "spots": float(len(spots)),
        "level_dbfs": round(level_db, 2),
        "longest_frames": float(scene.seen.capture.flat[:, cells][marks].max()),
    }
    detail = f"The signal ran flat at {where} {what}, first at {scene.clock(span.start)}."
    return Finding("clipping", severity, span, detail, numbers)


def _spots(marks: NDArray[np.bool_]) -> list[tuple[int, int]]:
    return stretches(np.asarray(marks.any(axis=(0, 2))), join=2)
