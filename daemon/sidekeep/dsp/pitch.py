"""How the pitch of everything together moves: the common change of all partials."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_MOST = 0.012  # larger changes are other notes, not the turntable
_ROUNDS = 5
_CELLS_AT_ONCE = 4096  # so that memory does not grow with the recording
_HARMONICS = (2, 3, 4, 5)
_OFF_BEAT = (0.8, 0.85, 0.9, 1.1, 1.15, 1.2, 1.3)


def pitch_steps(tone_hz: NDArray[np.float32], span: int) -> NDArray[np.float64]:
    """Common change of pitch between each cell and the one `span` cells later.

    Args:
        tone_hz: partials per cell, shape (cells, tones), 0 where there is none.
        span: cells between the two.

    Returns:
        Natural logarithm of the ratio, shape (cells - span,); NaN where nothing was sustained.
    """
    starts = range(0, max(0, tone_hz.shape[0] - span), _CELLS_AT_ONCE)
    pieces = (_steps(tone_hz[start : start + _CELLS_AT_ONCE + span], span) for start in starts)
    return np.concatenate([np.zeros(0), *pieces])


def _steps(tone_hz: NDArray[np.float32], span: int) -> NDArray[np.float64]:
    logs = np.log(np.where(tone_hz > 0, tone_hz, np.nan).astype(np.float64))
    change = logs[span:, np.newaxis, :] - logs[:-span, :, np.newaxis]
    size = np.where(np.abs(change) < _MOST, np.abs(change), np.inf)
    nearest = size.argmin(axis=2)[:, :, np.newaxis]
    matched = np.take_along_axis(change, nearest, axis=2)[:, :, 0]
    matched[np.isinf(np.take_along_axis(size, nearest, axis=2)[:, :, 0])] = np.nan
    counted = np.sort(matched, axis=1)  # NaN sorts last
    count = (~np.isnan(matched)).sum(axis=1)
    rows = np.arange(counted.shape[0])
    low = counted[rows, np.maximum(count - 1, 0) // 2]
    high = counted[rows, np.minimum(count // 2, counted.shape[1] - 1)]
    return np.where(count > 0, (low + high) / 2, np.nan)


def swing(steps: NDArray[np.float64], *, span_s: float, cell_s: float, turn_s: float) -> float:
    """Peak deviation of pitch, as a part, of a swing with one period per revolution.

    Args:
        steps: what `pitch_steps` gave.
        span_s: time between the cells it compared.
        cell_s: time from cell to cell.
        turn_s: one revolution.
    """
    return _change(steps, cell_s, turn_s) / float(2 * np.sin(np.pi * span_s / turn_s))


def purity(steps: NDArray[np.float64], *, cell_s: float, turn_s: float) -> float:
    """The change of pitch once per revolution against the largest of two to five times.

    A hole off-centre makes a sine; a bar of music that lasts a revolution makes every harmonic.
    """
    harmonics = max(_change(steps, cell_s, turn_s / times) for times in _HARMONICS)
    return _change(steps, cell_s, turn_s) / max(harmonics, 1e-9)


def _change(steps: NDArray[np.float64], cell_s: float, turn_s: float) -> float:
    """Amplitude of the steps' part with a period of `turn_s`."""
    known = ~np.isnan(steps)
    if known.sum() < 100:
        return 0.0
    values, angle = steps[known], 2 * np.pi / turn_s * cell_s * np.flatnonzero(known)
    waves = np.stack((np.cos(angle), np.sin(angle)), axis=1)
    weight = np.ones_like(values)
    part = np.zeros(2)
    for _ in range(_ROUNDS):
        root = np.sqrt(weight)
        part = np.linalg.lstsq(waves * root[:, np.newaxis], values * root, rcond=None)[0]
        rest = values - waves @ part
        scale = 1.48 * float(np.median(np.abs(rest))) + 1e-5
        weight = 1 / (1 + (rest / (2 * scale)) ** 2)
    return float(np.hypot(*part))


def chance_swing(
    steps: NDArray[np.float64], *, span_s: float, cell_s: float, turn_s: float
) -> float:
    """The largest swing found at periods that no revolution has: what music gives by chance."""
    return max(
        swing(steps, span_s=span_s, cell_s=cell_s, turn_s=turn_s / factor) for factor in _OFF_BEAT
    )


def dips(steps: NDArray[np.float64], *, span: int, length: int) -> NDArray[np.float64]:
    """Depth of a dip in pitch that lasts `length` cells, around each cell; shape like `steps`.

    A platter that is held and let go slows all music down and up again; the dip is fitted as a
    raised cosine, to its own changes, in the sense of least squares.
    """
    curve = np.hanning(length + 1)
    template = np.pad(curve, (span, 0))[: curve.size] - curve
    known = ~np.isnan(steps)
    values = np.where(known, np.clip(steps, -_MOST, _MOST), 0.0)
    fitted = np.convolve(values, template, mode="same")
    weight = np.convolve(known.astype(np.float64), template**2, mode="same")
    full = float((template**2).sum())
    return np.where(weight > 0.6 * full, fitted / np.maximum(weight, 1e-12), 0.0)
