"""Which notes a passage is made of, from the strongest partials of its cells."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

STEPS = 24
"""Quarter tones in an octave: fine enough to tell two tunings apart."""

LEAST = 30
"""Fewest partials that tell."""


def notes(tone_hz: NDArray[np.float32]) -> NDArray[np.float64]:
    """How often each quarter tone sounds, octaves apart, shape (24,); all 0 where too little does.

    Args:
        tone_hz: partials per cell, shape (cells, tones), 0 where there is none.
    """
    sounding = tone_hz[tone_hz > 0]
    if sounding.size < LEAST:
        return np.zeros(STEPS)
    step = np.floor(STEPS * np.log2(sounding / 440.0) + 0.5).astype(np.intp) % STEPS
    counts = np.bincount(step, minlength=STEPS) / sounding.size
    spread: NDArray[np.float64] = counts / 2 + (np.roll(counts, 1) + np.roll(counts, -1)) / 4
    return spread


def note_likeness(first: NDArray[np.float32], second: NDArray[np.float32]) -> float | None:
    """How alike the notes of two passages are: 1 for the same, in the same proportion.

    The overlap of two distributions after Bhattacharyya (sum of the roots of products).

    Args:
        first: partials per cell of one passage, shape (cells, tones).
        second: partials of the other.

    Returns:
        The likeness; None when a passage has too few partials to tell.
    """
    one, other = notes(first), notes(second)
    if not one.any() or not other.any():
        return None
    return float(np.sqrt(one * other).sum())


def own_note_likeness(tone_hz: NDArray[np.float32]) -> float | None:
    """The same between the two halves of one passage."""
    half = len(tone_hz) // 2
    return note_likeness(tone_hz[:half], tone_hz[half:])
