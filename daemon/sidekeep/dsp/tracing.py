"""How a stylus mistraces treble: products of even order, opposite in the two channels.

Each wall of the groove is traced by itself. What a worn stylus or groove adds of even order pushes
both walls outward, so that it comes in the difference of the channels, where it has the phase of the
treble's own square (W. D. Lewis and F. V. Hunt, J. Acoust. Soc. Am. 12, 1941, p. 348). No mix does
that: music in the difference knows nothing of the sum of the channels' squares.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from sidekeep.dsp.gathering import Spool
from sidekeep.dsp.spectra import Spectra, bin_hz, cell_frames

TREBLE_HZ = (1500.0, 8000.0)
PRODUCT_EDGES_HZ = (8000.0, 10_000.0, 12_000.0, 14_000.0, 16_000.0)
"""Bands in which sums of two frequencies of the treble fall, and none of the treble itself."""

BANDS = len(PRODUCT_EDGES_HZ) - 1
STEP_CELLS = 8  # the loudest of them speaks for all: products grow twice as fast as the sound
_LOUDEST_BY_HZ = (2000.0, 5000.0)


def _none(*shape: int) -> NDArray[np.float32]:
    return np.zeros(shape, np.float32)


@dataclass(frozen=True)
class TracingTable:
    """Steps of `step_frames` (0.17 s), each told by the cell with the loudest treble.

    `product` (steps, bands) is the power of the products that the squared treble of both channels
    would give, `difference` that of left minus right in the same bins, `cross` (complex) the second
    times the conjugate of the first; `treble` (steps,) the power of both channels' treble. All are
    sums of squared magnitudes of the shared spectra, `bins` (bands,) how many were summed.
    """

    step_frames: int = 1
    bins: NDArray[np.int64] = field(default_factory=lambda: np.zeros(BANDS, np.int64))
    cross: NDArray[np.complex64] = field(default_factory=lambda: np.zeros((0, BANDS), np.complex64))
    product: NDArray[np.float32] = field(default_factory=lambda: _none(0, BANDS))
    difference: NDArray[np.float32] = field(default_factory=lambda: _none(0, BANDS))
    treble: NDArray[np.float32] = field(default_factory=lambda: _none(0))


class TracingMeter:
    """Fills a `TracingTable` from the shared spectra.

    Mono recordings, and rates too low for the bands, leave it empty.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        hertz = bin_hz(rate_hz)
        self._able = channels == 2 and hertz[-1] > PRODUCT_EDGES_HZ[-1]
        edges = np.searchsorted(hertz, PRODUCT_EDGES_HZ)
        self._product_bins = slice(int(edges[0]), int(edges[-1]))
        self._starts, self._bins = edges[:-1] - edges[0], np.diff(edges)
        self._treble = slice(*np.searchsorted(hertz, TREBLE_HZ).tolist())
        self._loudest = slice(*np.searchsorted(hertz, _LOUDEST_BY_HZ).tolist())
        self._size = int(scipy.fft.next_fast_len(2 * int(edges[-1]), real=True))
        self._step_frames = STEP_CELLS * cell_frames(rate_hz)
        self._rest: Spectra = np.zeros((2, 0, len(hertz)), np.complex64)
        self._cross = Spool(0, np.zeros((0, BANDS), np.complex64))
        self._product, self._difference = Spool(0, _none(0, BANDS)), Spool(0, _none(0, BANDS))
        self._loudness = Spool(0, _none(0))

    def update(self, spectra: Spectra) -> None:
        """Take the next cells, shape (channels, cells, bins)."""
        if not self._able:
            return
        if self._rest.shape[1]:
            lacking = STEP_CELLS - self._rest.shape[1]
            first = np.concatenate((self._rest, spectra[:, :lacking]), axis=1)
            spectra = spectra[:, lacking:]
            if first.shape[1] < STEP_CELLS:
                self._rest = first
                return
            self._add(first)
        whole = spectra.shape[1] // STEP_CELLS * STEP_CELLS
        self._rest = spectra[:, whole:].copy()
        if whole:
            self._add(spectra[:, :whole])

    def _add(self, cells: Spectra) -> None:
        loud = _power(cells[:, :, self._loudest]).sum(axis=2).sum(axis=0)
        steps = np.arange(0, loud.size, STEP_CELLS)
        chosen = steps + loud.reshape(-1, STEP_CELLS).argmax(axis=1)
        low = np.zeros((2, steps.size, self._size // 2 + 1), np.complex64)
        low[:, :, self._treble] = cells[:, chosen, self._treble]
        waves = scipy.fft.irfft(low, self._size, axis=2)
        waves *= waves
        expected = scipy.fft.rfft(waves[0] + waves[1], axis=1)[:, self._product_bins]
        heard = cells[:, chosen, self._product_bins]
        difference = heard[0] - heard[1]
        cross = difference * expected.conj()
        self._cross.append(np.add.reduceat(cross, self._starts, axis=1))
        self._product.append(np.add.reduceat(_power(expected), self._starts, axis=1))
        self._difference.append(np.add.reduceat(_power(difference), self._starts, axis=1))
        self._loudness.append(_power(low).sum(axis=2).sum(axis=0))

    def finish(self) -> TracingTable:
        """Return the table; cells that do not fill a step are left out."""
        return TracingTable(
            self._step_frames,
            self._bins,
            self._cross.table(),
            self._product.table(),
            self._difference.table(),
            self._loudness.table(),
        )


def _power(spectra: Spectra) -> NDArray[np.float32]:
    power: NDArray[np.float32] = spectra.real**2 + spectra.imag**2
    return power
