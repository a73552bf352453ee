"""How a passage moves: its onsets, its tempo, and whether a beat goes on across a silence."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

LARGEST_RISE = 12.0
"""Rise of a band from cell to cell, in dB, that counts at most."""

TEMPO_S = (0.2, 2.0)
"""Periods that make a tempo: 30 to 300 beats per minute."""

BEAT_S = (1.5, 7.5)
"""How far beyond the silence onsets are compared, and up to where."""

LONGEST_S = 9.0
"""Longest silence, with what is compared beyond it, over which a beat can be told to go on."""

STEADY_S = (3.0, 8.0)
"""How much later onsets fall on onsets again where the tempo is steady: several beats, bars."""

LEAST_S = 6.0
"""Shortest passage that tells a tempo."""

Floats = NDArray[np.float32]


def onsets(level: NDArray[np.uint8]) -> Floats:
    """How much rises from cell to cell, on the mean of the bands, without its own mean.

    Args:
        level: levels per cell and band in half decibels, shape (cells, bands).
    """
    decibels = level * np.float32(0.5)
    rises = np.clip(np.diff(decibels, axis=0, prepend=decibels[:1]), 0, LARGEST_RISE).mean(axis=1)
    centred: Floats = rises - rises.mean()
    return centred


def tempo_likeness(first: Floats, second: Floats, cell_s: float) -> float | None:
    """Correlation of the periods in two passages, 1 for the same tempo and figure.

    Args:
        first: what `onsets` gave for one passage.
        second: what it gave for the other.
        cell_s: seconds per cell.

    Returns:
        The likeness; None when a passage is too short to tell.
    """
    if min(len(first), len(second)) * cell_s < LEAST_S:
        return None
    low, high = (round(period_s / cell_s) for period_s in TEMPO_S)
    return _correlation(_periods(first, high)[low:], _periods(second, high)[low:])


def own_tempo_likeness(onset: Floats, cell_s: float) -> float | None:
    """The same between the two halves of one passage."""
    if len(onset) * cell_s < LEAST_S:
        return None
    half, high = len(onset) // 2, round(TEMPO_S[1] / cell_s)
    low = round(TEMPO_S[0] / cell_s)
    return _correlation(_periods(onset[:half], high)[low:], _periods(onset[half:], high)[low:])


def steadiness(onset: Floats, cell_s: float) -> float:
    """How well onsets some seconds later fall on those before, 1 for music that repeats exactly.

    A beat that hurries or drags by some hundredths is out of step after as many beats.

    Args:
        onset: what `onsets` gave for a passage; a quarter minute at the least.
        cell_s: seconds per cell.
    """
    low, high = (round(later_s / cell_s) for later_s in STEADY_S)
    blunt = np.convolve(onset, np.array([0.25, 0.5, 0.25], np.float32), "same")
    return float(_periods(blunt, high)[low:].max())


def beat_likeness(before: Floats, after: Floats, silence: int, cell_s: float) -> float | None:
    """Whether onsets after a silence fall where the beat before it would have had them go on.

    The onsets before are laid over those after at lags longer than the silence; where the beat goes
    on, that agrees with how the passages agree with themselves at the same lags.

    Args:
        before: what `onsets` gave for the passage before.
        after: what it gave for the passage after.
        silence: cells between the passages.
        cell_s: seconds per cell.
    """
    longest = round(LONGEST_S / cell_s)
    lags = np.arange(
        silence + round(BEAT_S[0] / cell_s), min(silence + round(BEAT_S[1] / cell_s), longest)
    )
    if min(len(before), len(after)) * cell_s < LEAST_S or len(lags) * cell_s < 2:
        return None
    own = _periods(before, longest)[lags] + _periods(after, longest)[lags]
    across = _products(before, after, lags - silence)
    return _correlation(across, own)


def _products(before: Floats, after: Floats, lags: NDArray[np.intp]) -> Floats:
    """Mean product of `before` and what lies so many cells after it in `after`."""
    size = next_fast_len(len(before) + len(after), real=True)

    def laid(a: Floats, b: Floats) -> Floats:
        product: Any = irfft(np.conj(rfft(a, size)) * rfft(b, size), size)
        picked: Floats = product[(lags - len(before)) % size].astype(np.float32)
        return picked

    ones = np.ones(len(before), np.float32), np.ones(len(after), np.float32)
    return (laid(before, after) / np.maximum(laid(*ones), 20)).astype(np.float32)


def _periods(onset: Floats, lags: int) -> Floats:
    """Mean product of onsets with those so many cells later, 1 at lag 0."""
    size = next_fast_len(len(onset) + lags, real=True)
    products: Any = irfft(np.abs(rfft(onset, size)) ** 2, size)[:lags]
    means = products / np.maximum(len(onset) - np.arange(lags), 1)
    scaled: Floats = (means / (means[0] + 1e-9)).astype(np.float32)
    return scaled


def _correlation(first: Floats, second: Floats) -> float:
    first, second = first - first.mean(), second - second.mean()
    return float(first @ second / np.sqrt((first @ first) * (second @ second) + 1e-12))
