"""Band levels of middle and difference, and how noise-like the middle is, every ~21 ms.

The table answers where the music is: levels say whether something stands above the groove noise,
tonality says whether a quiet stretch is noise at all, whatever its level.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.gathering import Spool
from sidekeep.dsp.spectra import bin_hz, cell_frames

EDGES_HZ = (
    *(20, 65, 110, 155, 200, 290, 380, 510, 650, 870, 1170),
    *(1600, 2200, 3000, 4200, 6000, 9000, 14000),
)
"""Band limits: single bins at the bottom, then about half an octave each."""

GROUPS_HZ = (380, 1170, 2200, 4200, 6000)
"""Limits of the four groups of bands that share one tonality value; hum stays outside."""

FLOOR_DB = -127.0
"""Level of the code 0; one code is half a decibel."""


@dataclass(frozen=True)
class BandTable:
    """Cells of `cell_frames`; codes keep a side's table at about 0.1 MB per minute.

    `level` (rows, cells, bands): row 0 the middle (L+R)/2, row 1 the difference (L-R)/2 (mono: row 0
    only); mean square in half decibels above `FLOOR_DB`. `tonality` (cells, groups): how far the
    mean of logarithms lies below the logarithm of the mean, in tenths of a decibel: near 25 for
    Gaussian noise, 0 for one click, far more for tones.
    """

    cell_frames: int
    level: NDArray[np.uint8]
    tonality: NDArray[np.uint8]

    def level_db(self) -> NDArray[np.float32]:
        """Band levels in dB re full scale (mean square), shape (rows, cells, bands)."""
        decibels: NDArray[np.float32] = self.level * np.float32(0.5) + np.float32(FLOOR_DB)
        return decibels

    def tonality_db(self) -> NDArray[np.float32]:
        """Tonality in dB, shape (cells, groups)."""
        decibels: NDArray[np.float32] = self.tonality * np.float32(0.1)
        return decibels


class BandMeter:
    """Fills a `BandTable` from the shared spectra."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._cell = cell_frames(rate_hz)
        self._rows = min(channels, 2)
        limits = np.searchsorted(bin_hz(rate_hz), EDGES_HZ)
        self._starts, self._bins = limits[:-1], int(limits[-1])
        self._widths = np.diff(limits).astype(np.float32)
        groups = np.searchsorted(EDGES_HZ, GROUPS_HZ)
        self._first, self._last = int(groups[0]), int(groups[-1])
        self._groups = groups[:-1] - groups[0]
        self._weights = self._widths[self._first : self._last]
        self._levels = Spool(1, np.zeros((self._rows, 0, len(EDGES_HZ) - 1), np.uint8))
        self._tonalities = Spool(0, np.zeros((0, len(GROUPS_HZ) - 1), np.uint8))

    def update(self, spectra: NDArray[np.complex64]) -> None:
        """Take the next cells, shape (channels, cells, bins)."""
        rows = spectra[:, :, : self._bins]
        if self._rows == 2:
            left, right = rows
            rows = np.empty_like(rows)
            np.add(left, right, out=rows[0])
            np.subtract(left, right, out=rows[1])
        power = rows.real**2 + rows.imag**2
        power *= np.float32(1 / self._rows**2)
        sums = np.add.reduceat(power, self._starts, axis=2)
        # Hann spreads a component's power over 1.5 bins; the other half of the spectrum doubles it.
        codes = 2 * (_decibels(sums * np.float32(2 / 1.5)) - np.float32(FLOOR_DB))
        self._levels.append(np.clip(np.rint(codes), 0, 255).astype(np.uint8))
        self._tonalities.append(self._tonality(power[0], sums[0]))

    def _tonality(self, power: NDArray[np.float32], sums: NDArray[np.float32]) -> NDArray[np.uint8]:
        bands = slice(self._first, self._last)
        inside = power[:, self._starts[self._first] : self._starts[self._last]]
        starts = self._starts[bands] - self._starts[self._first]
        mean_of_log = np.add.reduceat(_decibels(inside), starts[self._groups], axis=1)
        log_of_mean = _decibels(sums[:, bands] / self._weights) * self._weights
        bins = np.add.reduceat(self._weights, self._groups)
        spread = (np.add.reduceat(log_of_mean, self._groups, axis=1) - mean_of_log) / bins
        return np.clip(np.rint(spread * 10), 0, 255).astype(np.uint8)

    def finish(self) -> BandTable:
        """Return the table."""
        return BandTable(self._cell, self._levels.table(), self._tonalities.table())


def _decibels(power: NDArray[np.float32]) -> NDArray[np.float32]:
    decibels: NDArray[np.float32] = 10 * np.log10(power + np.float32(1e-14))
    return decibels
