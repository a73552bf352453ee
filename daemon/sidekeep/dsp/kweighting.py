"""The K-weighting of loudness measurement, ITU-R BS.1770-5 (11/2023), Annex 1, at any sample rate.

The standard tabulates two second-order sections at 48 kHz (Tables 1 and 2) and asks for the same
frequency response elsewhere. The analogue prototypes behind the tables, taken through the bilinear
transform, reproduce them to the last printed digit; libebur128 uses the same ones.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_SHELF_HZ, _SHELF_DB, _SHELF_Q = 1681.974450955533, 3.999843853973347, 0.7071752369554196
_SHELF_BEND = 0.4996667741545416
_HIGH_PASS_HZ, _HIGH_PASS_Q = 38.13547087602444, 0.5003270373238773


def k_weighting(rate_hz: int) -> NDArray[np.float64]:
    """Return the two sections, shelf and high-pass, shape (2, 6), as `scipy.signal` writes them.

    The numerator of the high-pass is 1, -2, 1 at every rate, as in Table 2; at 96 kHz this lowers
    the reading by 0.02 LU against 48 kHz, as it does in libebur128.

    Args:
        rate_hz: sample rate in Hz.
    """
    k = np.tan(np.pi * _SHELF_HZ / rate_hz)
    high = 10 ** (_SHELF_DB / 20)
    middle = high**_SHELF_BEND * k / _SHELF_Q
    norm = 1 + k / _SHELF_Q + k * k
    numerator = np.array([high + middle + k * k, 2 * (k * k - high), high - middle + k * k])
    shelf = [*(numerator / norm), *_denominator(k, _SHELF_Q)]
    k = np.tan(np.pi * _HIGH_PASS_HZ / rate_hz)
    return np.array([shelf, [1.0, -2.0, 1.0, *_denominator(k, _HIGH_PASS_Q)]])


def _denominator(k: float, q: float) -> list[float]:
    norm = 1 + k / q + k * k
    return [1.0, 2 * (k * k - 1) / norm, (1 - k / q + k * k) / norm]
