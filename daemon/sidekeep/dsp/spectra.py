"""One short-time spectrum shared by all meters that look at frequencies.

Frames of about 21 ms without overlap, Hann window: cheap, independent cells, fine enough for cuts.
"""

from __future__ import annotations

import numpy as np
import scipy.fft
from numpy.typing import NDArray

Spectra = NDArray[np.complex64]


def cell_frames(rate_hz: int) -> int:
    """Frames per cell: the power of two nearest to 21.8 ms (1024 at 44.1 and 48 kHz).

    Args:
        rate_hz: sample rate in Hz.
    """
    return int(2 ** round(np.log2(rate_hz * 0.0218)))


def bin_hz(rate_hz: int) -> NDArray[np.float64]:
    """Centre frequencies in Hz of the bins, shape (bins,)."""
    return np.fft.rfftfreq(cell_frames(rate_hz), 1 / rate_hz).astype(np.float64)


class Framer:
    """Cuts blocks into cells and gives their spectra.

    A full-scale sine at a bin's centre has power (|X|^2) 0.25 there, so a cell's mean square is
    about the sum over bins of 2 * |X|^2 / 1.5 (Hann's equivalent noise bandwidth).
    """

    def __init__(self, rate_hz: int) -> None:
        self._length = cell_frames(rate_hz)
        window = np.hanning(self._length + 1)[:-1]
        self._window = (window / window.sum()).astype(np.float32)
        self._rest: NDArray[np.float32] | None = None

    def update(self, block: NDArray[np.float32]) -> Spectra:
        """Take the next block (channels, frames); give the finished cells (channels, cells, bins).

        An incomplete last cell of the recording is dropped.
        """
        if self._rest is not None and self._rest.shape[1]:
            block = np.concatenate((self._rest, block), axis=1)
        cells = block.shape[1] // self._length
        self._rest = block[:, cells * self._length :].copy()
        framed = block[:, : cells * self._length].reshape(block.shape[0], cells, self._length)
        spectra: Spectra = scipy.fft.rfft(framed * self._window, axis=2)
        return spectra
