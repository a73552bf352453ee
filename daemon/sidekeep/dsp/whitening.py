"""What could not be foretold: a signal less its own short-term prediction.

Tones are foretold by the samples before them and vanish; what begins, breaks or is noise stays. Linear
prediction by the autocorrelation method (Makhoul, "Linear prediction: a tutorial review", Proc. IEEE 63,
1975), solved by Levinson's recursion for all frames at once.
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

_ORDER = 32
_FRAME = 400  # samples that one filter is for; it is learned from twice as many around them
_FLOOR, _NOTHING = 1e-6, 1e-12  # of the power, and at least
_MOST_REFLECTED = 0.999999  # rounding may make a filter that rings for ever

Signal = NDArray[np.float32]


def whitened(signal: Signal) -> Signal:
    """What the samples before do not foretell.

    Args:
        signal: shape (samples,); at both ends what lies within 432 samples is not told well.

    Returns:
        The same shape.
    """
    frames = -(-signal.size // _FRAME)
    padded = np.pad(signal, (_FRAME, (frames + 1) * _FRAME - signal.size)).astype(np.float32)
    half = _FRAME // 2
    around = sliding_window_view(padded[half:], 2 * _FRAME)[::_FRAME][:frames]
    filters = _levinson(_autocorrelation(around * np.hanning(2 * _FRAME).astype(np.float32)))
    size = next_fast_len(_FRAME + 2 * _ORDER, real=True)
    before = sliding_window_view(padded[_FRAME - _ORDER :], _FRAME + _ORDER)[::_FRAME][:frames]
    left = irfft(rfft(before, size) * rfft(filters, size), size)
    out: Signal = left[:, _ORDER : _ORDER + _FRAME].reshape(-1)[: signal.size]
    return out


def _autocorrelation(windows: Signal) -> NDArray[np.float64]:
    """Lags 0 to the order of each row, shape (rows, order + 1)."""
    size = next_fast_len(windows.shape[1] + _ORDER + 1, real=True)
    spectra = rfft(windows, size)
    power = spectra.real**2 + spectra.imag**2
    # Of the inverse transform these few lags are all that is needed.
    weights = np.full(power.shape[1], 2 / size)
    weights[[0, -1]] = 1 / size, (1 if size % 2 == 0 else 2) / size
    turns = np.outer(np.arange(power.shape[1]), np.arange(_ORDER + 1)) / size
    inverse = (weights[:, np.newaxis] * np.cos(2 * np.pi * turns)).astype(np.float32)
    found = (power @ inverse).astype(np.float64)
    found[:, 0] = found[:, 0] * (1 + _FLOOR) + _NOTHING
    return found


def _levinson(lags: NDArray[np.float64]) -> Signal:
    """Filters that leave what is not foretold, the first coefficient 1; shape as that of the lags."""
    filters = np.zeros_like(lags)
    filters[:, 0] = 1
    error = lags[:, 0].copy()
    for order in range(1, lags.shape[1]):
        missed = np.einsum("rk,rk->r", filters[:, :order], lags[:, order:0:-1])
        reflected = np.clip(-missed / error, -_MOST_REFLECTED, _MOST_REFLECTED)
        turned = filters[:, order - 1 :: -1] if order > 1 else filters[:, :1]
        filters[:, 1 : order + 1] += reflected[:, np.newaxis] * turned[:, :order]
        error *= 1 - reflected**2
    return filters.astype(np.float32)
