"""The partials that are held: read finely enough to follow the pitch of a full orchestra."""

from __future__ import annotations

import numpy as np
import scipy.fft
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from sidekeep.dsp.gathering import Spool
from sidekeep.dsp.meter import Block

TONES = 16
HOP = 1024
"""Samples at about 8 kHz from cell to cell, 0.13 s."""

_WINDOW = 2 * HOP
_RANGE_HZ = (180.0, 2900.0)  # above, the low-pass to 4 kHz lets through what folds back
_SHARE = 1e-3  # partials more than 30 dB under the cell's strongest are left out


class HeldToneMeter:
    """Fills `tone_hz` of the event table from the sound below 4 kHz.

    Windows of about a quarter of a second part the tones of a full orchestra; they follow each other
    at half their length.
    """

    def __init__(self, rate_hz: float) -> None:
        self._bin_hz = rate_hz / _WINDOW
        self._first, self._last = (round(edge / self._bin_hz) for edge in _RANGE_HZ)
        self._shape = np.hanning(_WINDOW + 1)[:-1].astype(np.float32)
        self._rest = np.zeros(0, np.float32)
        self._tones = Spool(0, np.zeros((0, TONES), np.float32))

    def update(self, block: Block) -> None:
        """Take the next samples, shape (channels, samples)."""
        mono = np.concatenate((self._rest, block.sum(axis=0)))
        cells = max(0, (mono.size - _WINDOW) // HOP + 1)
        self._rest = mono[cells * HOP :].copy()
        if cells:
            self._add(sliding_window_view(mono, _WINDOW)[: cells * HOP : HOP])

    def _add(self, cells: NDArray[np.float32]) -> None:
        spectra = scipy.fft.rfft(cells * self._shape, axis=1)[:, self._first - 1 : self._last + 1]
        power = spectra.real**2 + spectra.imag**2
        middle = power[:, 1:-1]
        is_peak = (middle > power[:, :-2]) & (middle >= power[:, 2:])
        is_peak &= middle > _SHARE * middle.max(axis=1, keepdims=True)
        ranked = np.argpartition(np.where(is_peak, -middle, 0), TONES, axis=1)[:, :TONES]
        cell = np.arange(len(cells))[:, np.newaxis]
        here, lower, upper = (np.sqrt(power[cell, ranked + shift]) for shift in (1, 0, 2))
        # A Hann window's two largest bins a, b give the place between them as (2b - a) / (a + b).
        up = (2 * upper - here) / np.maximum(upper + here, 1e-12)
        down = (2 * lower - here) / np.maximum(lower + here, 1e-12)
        bins = ranked + self._first + np.where(upper >= lower, up, -down)
        found = is_peak[cell, ranked]
        self._tones.append(np.where(found, bins * self._bin_hz, 0).astype(np.float32))

    def finish(self) -> NDArray[np.float32]:
        """Return the partials in Hz, shape (cells, tones)."""
        return self._tones.table()
