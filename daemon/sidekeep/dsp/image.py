"""The stereo image: how the level ratio of what both channels share is spread.

Whatever a mix pans to the centre is equal in both channels, so where a small tile of time and
frequency is coherent and in phase, its level ratio says how the transfer's channels stand. Tiles of
other sources lie elsewhere; the histogram of ratios, kept per stretch of time and per band, lets any
span be judged later.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.spectra import Spectra, bin_hz, cell_frames

BAND_EDGES_HZ = (70.0, 300.0, 600.0, 1200.0, 2400.0, 4800.0, 8000.0)
"""Borders of the bands; the first is where stereo cuts are close to mono (common practice)."""

STEP_DB = 0.05
SPREAD_DB = 12.0
_RATIOS = round(2 * SPREAD_DB / STEP_DB)
_TILE_CELLS = 4
_TILE_BINS = 2
_STRETCH_TILES = 112
_LIKENESS = 0.95
_BELOW_MEAN = 0.1


@dataclass(frozen=True)
class ImageTable:
    """Stretches of `stretch_frames` (about 10 s); the last may be short.

    Attributes:
        stretch_frames: frames of audio in a stretch.
        counts: coherent in-phase tiles by level ratio, (stretches, bands, ratios); ratio k stands for
            left above right by `(k + 0.5) * STEP_DB - SPREAD_DB`.
        tiles: tiles loud enough to count, coherent or not, (stretches, bands).
        powers: summed power of those tiles: left, right, and shared (real part of the cross
            spectrum), (stretches, bands, 3).
    """

    stretch_frames: int
    counts: NDArray[np.uint16]
    tiles: NDArray[np.uint16]
    powers: NDArray[np.float32]


def ratios_db() -> NDArray[np.float64]:
    """Centres of the histogram's cells, left above right, in dB, shape (ratios,)."""
    return np.arange(0.5, _RATIOS) * STEP_DB - SPREAD_DB


class ImageMeter:
    """Fills an `ImageTable` from the shared spectra; with one channel the table is empty."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        hertz = bin_hz(rate_hz)
        low, high = np.searchsorted(hertz, (BAND_EDGES_HZ[0], BAND_EDGES_HZ[-1]))
        columns = (high - low) // _TILE_BINS
        self._bins = slice(int(low), int(low + columns * _TILE_BINS))
        centres = hertz[self._bins].reshape(-1, _TILE_BINS).mean(axis=1)
        self._band = np.searchsorted(BAND_EDGES_HZ[1:-1], centres)
        self._stretch_frames = _STRETCH_TILES * _TILE_CELLS * cell_frames(rate_hz)
        self._stereo = channels == 2
        self._rest: Spectra | None = None
        self._tiles: list[NDArray[np.float32]] = []
        self._rows = 0
        self._done: list[tuple[NDArray[np.uint16], NDArray[np.uint16], NDArray[np.float32]]] = []

    def update(self, spectra: Spectra) -> None:
        """Take the next cells, shape (channels, cells, bins)."""
        if not self._stereo:
            return
        kept = spectra[:, :, self._bins]
        if self._rest is not None:
            kept = np.concatenate((self._rest, kept), axis=1)
        rows = kept.shape[1] // _TILE_CELLS
        self._rest = kept[:, rows * _TILE_CELLS :].copy()
        self._add(_tile_powers(kept[:, : rows * _TILE_CELLS]))

    def _add(self, powers: NDArray[np.float32]) -> None:
        while self._rows + powers.shape[1] >= _STRETCH_TILES:
            room = _STRETCH_TILES - self._rows
            self._tiles.append(powers[:, :room])
            self._close()
            powers = powers[:, room:]
        self._tiles.append(powers)
        self._rows += powers.shape[1]

    def _close(self) -> None:
        powers = np.concatenate(self._tiles, axis=1)
        self._done.append(_stretch(powers, self._band))
        self._tiles, self._rows = [], 0

    def finish(self) -> ImageTable:
        """Return the table; cells that do not fill a tile are left out."""
        if self._rows:
            self._close()
        bands = len(BAND_EDGES_HZ) - 1
        counts, tiles, powers = zip(*self._done, strict=True) if self._done else ((), (), ())
        return ImageTable(
            self._stretch_frames,
            np.asarray(counts, np.uint16).reshape(-1, bands, _RATIOS),
            np.asarray(tiles, np.uint16).reshape(-1, bands),
            np.asarray(powers, np.float32).reshape(-1, bands, 3),
        )


def _tile_powers(spectra: Spectra) -> NDArray[np.float32]:
    """Left, right and shared power of every tile, shape (3, rows, columns)."""
    rows = spectra.shape[1] // _TILE_CELLS
    parts = np.ascontiguousarray(spectra).view(np.float32)
    left, right = parts.reshape(2, rows, _TILE_CELLS, -1, 2 * _TILE_BINS)
    return np.stack(
        [
            np.einsum("rcbp,rcbp->rb", left, left),
            np.einsum("rcbp,rcbp->rb", right, right),
            np.einsum("rcbp,rcbp->rb", left, right),
        ]
    )


def _stretch(
    powers: NDArray[np.float32], band: NDArray[np.intp]
) -> tuple[NDArray[np.uint16], NDArray[np.uint16], NDArray[np.float32]]:
    """Sort the tiles of one stretch into histograms."""
    left, right, shared = powers
    bands = len(BAND_EDGES_HZ) - 1
    both = left + right
    loud = both > _BELOW_MEAN * both.mean(axis=0)
    alike = loud & (shared > _LIKENESS * np.sqrt(left * right))
    rows_band = np.broadcast_to(band, both.shape)
    ratio_db = 10 * np.log10(left[alike] / right[alike])
    place = np.floor((ratio_db + SPREAD_DB) / STEP_DB).astype(np.intp)
    inside = (place >= 0) & (place < _RATIOS)
    flat = rows_band[alike][inside] * _RATIOS + place[inside]
    counts = np.bincount(flat, minlength=bands * _RATIOS).reshape(bands, _RATIOS)
    of_band = rows_band[loud]
    tiles = np.bincount(of_band, minlength=bands)
    sums = np.stack([np.bincount(of_band, part[loud], bands) for part in powers], axis=1)
    return counts.astype(np.uint16), tiles.astype(np.uint16), sums.astype(np.float32)
