"""Band-limited interpolation between samples, and how far it can reach beyond them.

`KERNEL` holds a Kaiser-windowed sinc for the positions 1/16 to 15/16 between two samples. Each row is
corrected (by about a thousandth, in the two middle taps) so that straight lines pass exactly. What
it adds to the straight line between two neighbours is then a weighted sum of second differences, so

    |value between x[n] and x[n+1]| <= max(|x[n]|, |x[n+1]|) + REACH * max |second difference|

with the second differences taken over the taps: a bound that is close for smooth signals and proven
for all. Tones up to 0.475 of the sample rate keep their height within 0.05 dB. Sixteen positions read
a sine at half the sample rate at most 0.042 dB low, 20 lg cos(pi/32).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

POSITIONS = 16
TAPS = 96
BEFORE = TAPS // 2 - 1
AFTER = TAPS // 2
_KAISER_BETA = 5.0


def _kernel() -> NDArray[np.float64]:
    """The interpolator, shape (POSITIONS - 1, TAPS); tap BEFORE is the sample at or before."""
    offsets = np.arange(TAPS) - BEFORE
    positions = np.arange(1, POSITIONS) / POSITIONS
    distance = positions[:, np.newaxis] - offsets
    window = np.i0(_KAISER_BETA * np.sqrt(1 - (distance / AFTER) ** 2)) / np.i0(_KAISER_BETA)
    kernel = np.sinc(distance) * window
    slope = positions - kernel @ offsets
    kernel[:, BEFORE + 1] += slope
    kernel[:, BEFORE] += 1 - kernel.sum(axis=1)
    return kernel


def _reach(kernel: NDArray[np.float64]) -> float:
    positions = np.arange(1, POSITIONS) / POSITIONS
    beyond_line = kernel.copy()
    beyond_line[:, BEFORE] -= 1 - positions
    beyond_line[:, BEFORE + 1] -= positions
    on_differences = np.cumsum(np.cumsum(beyond_line, axis=1), axis=1)
    return float(np.abs(on_differences).sum(axis=1).max())


KERNEL = _kernel()
REACH = _reach(KERNEL)
