"""Clipping: the converter's rail, or flat tops below it where a preamplifier gave out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.gathering import let_go
from sidekeep.findings.scene import Scene, graded, stretches
from sidekeep.model import Finding, Severity, Span

_FULL_SCALE = 1 - 2.0**-14  # a 16-bit converter's largest code is 1 - 2**-15
_RAIL = 1.2e-3  # tops that ran into the same rail agree to this part, converter noise included
_NEAR_TOP = 0.95
_FLAT_TOPS = 3
_TOP_RUN_S, _LONGEST_RUN_S, _LONG_RUN_S = 90e-6, 150e-6, 350e-6
_UNEVEN = 2.0
_PILE_UP = 12.0  # against the density of peaks just below the rail
_SQUARE = 0.75  # mean square over peak square: a sine has 0.5, clipped music less, a square wave 1


def find(scene: Scene, *, listen_spots: float, again_spots: float) -> tuple[Finding, ...]:
    """Count places that touch the converter's rail, and places that run into a rail below it.

    Args:
        scene: the side.
        listen_spots: clipped places from which a person should hear them.
        again_spots: clipped places from which the side is to be played again at a lower gain.
    """
    cells = scene.captured(scene.side.needle_down)
    peaks, flat = scene.seen.capture.peaks[:, cells], scene.seen.capture.flat[:, cells]
    at_full_scale = peaks >= _FULL_SCALE
    below = np.zeros_like(at_full_scale)
    square = _square_waves(scene, peaks)
    for channel, polarity in np.ndindex(peaks.shape[0], 2):
        where = (channel, slice(None), polarity)
        usable = ~(square[channel] | at_full_scale[where])
        below[where] = _at_rail(peaks[where], flat[where], usable, scene.seen.capture.rate_hz)
        let_go(peaks)
        let_go(flat)
    findings = []
    for marks, where_to in ((at_full_scale, "the converter's full scale"), (below, "")):
        spots = len(_spots(marks))
        if spots:
            severity = graded(spots, listen=listen_spots, again=again_spots)
            findings.append(_told(scene, marks, where_to, severity))
    return tuple(findings)


def _square_waves(scene: Scene, peaks: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Cells that are flat because they were made so, (channels, cells)."""
    square = np.zeros(peaks.shape[:2], np.bool_)
    power = scene.levels(scene.side.needle_down)
    if power.shape[0] == peaks.shape[0] and scene.recording.time_scale == 1.0:
        cells = min(power.shape[1], peaks.shape[1])
        for channel, row in enumerate(power[:, :cells]):
            top = peaks[channel, :cells].max(axis=1)
            square[channel, :cells] = row > _SQUARE * top * top
            let_go(peaks)
    return square


def _at_rail(
    peaks: NDArray[np.float32],
    flat: NDArray[np.uint16],
    usable: NDArray[np.bool_],
    rate_hz: int,
) -> NDArray[np.bool_]:
    """Cells that ran into a rail: many equal peaks near the top, some of them long and flat."""
    none = np.zeros(peaks.shape, np.bool_)
    flats = usable & (flat >= _TOP_RUN_S * rate_hz)
    if not flats.any():
        return none
    levels = np.sort(peaks[flats])
    reach = np.searchsorted(levels, levels * (1 + _RAIL), side="right") - np.arange(levels.size)
    rail = float(levels[int(reach.argmax())])
    if reach.max() < _FLAT_TOPS or rail < _NEAR_TOP * peaks[usable].max():
        return none
    marks = usable & (peaks >= rail) & (peaks <= rail * (1 + _RAIL))
    under = usable & (peaks >= rail * (1 - 10 * _RAIL)) & (peaks < rail * (1 - _RAIL))
    runs = flat[marks & flats]
    longest, usual = float(runs.max(initial=0)), float(np.median(runs)) if runs.size else 0.0
    # Round tops of one and the same note linger alike; a rail cuts every wave at another height.
    cut = longest >= max(_LONGEST_RUN_S * rate_hz, min(_UNEVEN * usual, _LONG_RUN_S * rate_hz))
    return marks if cut and marks.sum() >= _PILE_UP * under.sum() / 9 else none


def _told(scene: Scene, marks: NDArray[np.bool_], where_to: str, severity: Severity) -> Finding:
    """Put one rail's clipped cells into words; `marks` covers the cells of the stylus's time."""
    cells = scene.captured(scene.side.needle_down)
    spots = _spots(marks)
    span = Span(
        scene.captured_frame(cells.start + spots[0][0]),
        scene.captured_frame(cells.start + spots[-1][1]),
    )
    level_db = float(20 * np.log10(scene.seen.capture.peaks[:, cells][marks].max()))
    often = "once" if len(spots) == 1 else f"{len(spots)} times"
    where = where_to or f"{level_db:.1f} dBFS"
    numbers = {
        "spots": float(len(spots)),
        "level_dbfs": round(level_db, 2),
        "longest_frames": float(scene.seen.capture.flat[:, cells][marks].max()),
    }
    verb = "ran flat at" if where_to == "" else "hit"
    detail = f"The signal {verb} {where} {often}, first at {scene.clock(span.start)}."
    return Finding("clipping", severity, span, detail, numbers)


def _spots(marks: NDArray[np.bool_]) -> list[tuple[int, int]]:
    return stretches(np.asarray(marks.any(axis=(0, 2))), join=2)
