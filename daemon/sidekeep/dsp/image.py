"""The stereo image: how the level ratio of what both channels share is spread.

Whatever a mix pans to the centre is equal in both channels, so where a small tile of time and
frequency is coherent and in phase, its level ratio says how the transfer's channels stand. Tiles of
other sources lie elsewhere. The table keeps, per stretch of time and per band, how much of the sound
had which ratio, so that any span can be judged later.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.gathering import Spool
from sidekeep.dsp.spectra import Spectra, bin_hz, cell_frames

BAND_EDGES_HZ = (70.0, 300.0, 600.0, 1200.0, 2400.0, 4800.0, 8000.0)
"""Borders of the bands; the first is where stereo cuts are close to mono (common practice)."""

BANDS = len(BAND_EDGES_HZ) - 1
STEP_DB = 0.05
SPREAD_DB = 10.0
RATIOS_DB: NDArray[np.float64] = np.arange(0.5, 2 * SPREAD_DB / STEP_DB) * STEP_DB - SPREAD_DB
"""Level ratios of the histogram, left above right."""

_TILE_CELLS = 4
_TILE_BINS = 2
_SLICE_TILES = 4
_STRETCH_TILES = 56
_LEAST_LIKENESS = 0.9
_SOFTENING = 0.002
_BELOW_MEAN = 0.1
_QUIET_FROM_BAND = 1


@dataclass(frozen=True)
class ImageTable:
    """Stretches of `stretch_frames` (about 5 s), the last one shorter.

    Attributes:
        stretch_frames: frames of audio in a stretch.
        weights: how much in-phase sound had which ratio, (stretches, bands, ratios); a tile weighs
            the more, the purer it is.
        powers: power of left, of right, and shared (real part of the cross spectrum), summed over
            the tiles of a stretch, (stretches, bands, 3).
        slice_frames: frames of audio in a slice.
        slices: power of left and right from 300 Hz to 8 kHz in slices of about 0.35 s,
            (2, slices); for the groove's own balance.
    """

    stretch_frames: int
    weights: NDArray[np.float32]
    powers: NDArray[np.float32]
    slice_frames: int
    slices: NDArray[np.float32]


class ImageMeter:
    """Fills an `ImageTable` from the shared spectra; with one channel the table stays empty."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        hertz = bin_hz(rate_hz)
        low, high = np.searchsorted(hertz, (BAND_EDGES_HZ[0], BAND_EDGES_HZ[-1]))
        columns = int(high - low) // _TILE_BINS
        self._bins = slice(int(low), int(low) + columns * _TILE_BINS)
        centres = hertz[self._bins].reshape(columns, _TILE_BINS).mean(axis=1)
        self._band = np.searchsorted(BAND_EDGES_HZ[1:-1], centres)
        self._tile_frames = _TILE_CELLS * cell_frames(rate_hz)
        self._stereo = channels == 2
        self._rest: Spectra = np.zeros((2, 0, columns * _TILE_BINS), np.complex64)
        self._tiles: list[NDArray[np.float32]] = []
        self._rows = 0
        self._weights = Spool(0, np.zeros((0, BANDS, len(RATIOS_DB)), np.float32))
        self._powers = Spool(0, np.zeros((0, BANDS, 3), np.float32))
        self._slices = Spool(1, np.zeros((2, 0), np.float32))

    def update(self, spectra: Spectra) -> None:
        """Take the next cells, shape (channels, cells, bins)."""
        if not self._stereo:
            return
        cells = np.concatenate((self._rest, spectra[:, :, self._bins]), axis=1)
        rows = cells.shape[1] // _TILE_CELLS
        self._rest = cells[:, rows * _TILE_CELLS :].copy()
        tiles = _tile_powers(cells[:, : rows * _TILE_CELLS])
        while tiles.shape[1]:
            taken = tiles[:, : _STRETCH_TILES - self._rows]
            tiles = tiles[:, taken.shape[1] :]
            self._tiles.append(taken)
            self._rows += taken.shape[1]
            if self._rows == _STRETCH_TILES:
                self._close()

    def _close(self) -> None:
        tiles = np.concatenate(self._tiles, axis=1)
        self._tiles, self._rows = [], 0
        self._weights.append(_histograms(tiles, self._band)[np.newaxis])
        of_bands = [np.bincount(self._band, part.sum(axis=0), BANDS) for part in tiles]
        self._powers.append(np.stack(of_bands, axis=1).astype(np.float32)[np.newaxis])
        rows = tiles[:2, :, self._band >= _QUIET_FROM_BAND].sum(axis=2)
        slices = rows[:, : rows.shape[1] // _SLICE_TILES * _SLICE_TILES]
        self._slices.append(slices.reshape(2, -1, _SLICE_TILES).sum(axis=2))

    def finish(self) -> ImageTable:
        """Return the table; cells that do not fill a tile are left out."""
        if self._rows:
            self._close()
        return ImageTable(
            _STRETCH_TILES * self._tile_frames,
            self._weights.table(),
            self._powers.table(),
            _SLICE_TILES * self._tile_frames,
            self._slices.table(),
        )


def _tile_powers(spectra: Spectra) -> NDArray[np.float32]:
    """Left, right and shared power of every tile, shape (3, rows, columns)."""
    rows, columns = spectra.shape[1] // _TILE_CELLS, spectra.shape[2] // _TILE_BINS
    parts = np.ascontiguousarray(spectra).view(np.float32)
    left, right = parts.reshape(2, rows, _TILE_CELLS, columns, 2 * _TILE_BINS)
    pairs = ((left, left), (right, right), (left, right))
    return np.stack([np.einsum("rcbp,rcbp->rb", first, second) for first, second in pairs])


def _histograms(tiles: NDArray[np.float32], band: NDArray[np.intp]) -> NDArray[np.float32]:
    """Sort the tiles of one stretch by band and ratio, shape (bands, ratios).

    Tiles well below their column's mean are left out: there noise would speak. A tile's weight is
    the inverse of its impurity, 1 - likeness, as in a mean of measurements of unequal variance.
    """
    left, right, shared = tiles
    both = left + right
    loud = (both > _BELOW_MEAN * both.mean(axis=0)) & (left > 0) & (right > 0)
    row, column = np.nonzero(loud)
    left, right, shared = left[row, column], right[row, column], shared[row, column]
    likeness = shared / np.sqrt(left * right)
    alike = likeness > _LEAST_LIKENESS
    ratio_db = 10 * np.log10(left[alike] / right[alike])
    place = np.floor((ratio_db + SPREAD_DB) / STEP_DB).astype(np.intp)
    inside = (place >= 0) & (place < len(RATIOS_DB))
    weight = 1 / (1 - likeness[alike][inside] + _SOFTENING)
    flat = band[column[alike][inside]] * len(RATIOS_DB) + place[inside]
    sums = np.bincount(flat, weight, BANDS * len(RATIOS_DB))
    return sums.reshape(BANDS, len(RATIOS_DB)).astype(np.float32)
