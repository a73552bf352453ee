"""Levels every 10 ms: mean square and sample peak per channel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.gathering import Spool
from sidekeep.dsp.meter import Block
from sidekeep.dsp.stretch import Stretch


@dataclass(frozen=True)
class LevelTable:
    """Cells of `cell_frames` (10 ms); arrays are (channels, cells), linear, full scale = 1.0.

    The last cell may be short; its mean square is over the frames it has.
    """

    cell_frames: int
    mean_square: NDArray[np.float32]
    sample_peak: NDArray[np.float32]


class LevelMeter:
    """Fills a `LevelTable`."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._cell = max(1, round(rate_hz / 100))
        self._rest = np.zeros((channels, 0), np.float32)
        none = np.zeros((channels, 0), np.float32)
        self._squares, self._peaks = Spool(1, none), Spool(1, none)

    def update(self, block: Block, peaks: NDArray[np.float32] | None = None) -> None:
        """Take the next block, shape (channels, frames).

        Args:
            block: the block.
            peaks: highest and negated lowest samples of the cells that it completes, (channels, cells,
                2), where they are known already.
        """
        if self._rest.shape[1]:
            block = np.concatenate((self._rest, block), axis=1)
        cells = block.shape[1] // self._cell
        self._rest = block[:, cells * self._cell :].copy()
        if cells:
            whole = block[:, : cells * self._cell].reshape(block.shape[0], cells, self._cell)
            self._add(whole, peaks)

    def _add(self, cells: Block, peaks: NDArray[np.float32] | None = None) -> None:
        self._squares.append(np.einsum("cij,cij->ci", cells, cells) / np.float32(cells.shape[2]))
        both = (
            (cells.max(axis=2), -cells.min(axis=2)) if peaks is None else np.moveaxis(peaks, 2, 0)
        )
        self._peaks.append(np.maximum(*both))

    def finish(self) -> LevelTable:
        """Return the table; a last incomplete cell is kept."""
        if self._rest.shape[1]:
            self._add(self._rest[:, np.newaxis, :])
            self._rest = self._rest[:, :0]
        return LevelTable(self._cell, self._squares.table(), self._peaks.table())


def max_sample_peak(table: LevelTable, *stretches: Stretch) -> float:
    """The highest sample of one or several stretches, linear; 0 if they are empty.

    Cells that lie only partly in a stretch count, so a peak up to 10 ms outside may be included.
    """
    return max((_sample_peak(table, stretch) for stretch in stretches), default=0.0)


def _sample_peak(table: LevelTable, stretch: Stretch) -> float:
    stretch.check(len(table.sample_peak))
    first, last = max(0, stretch.start) // table.cell_frames, -(-stretch.end // table.cell_frames)
    highest = table.sample_peak[:, first:last].max(axis=1, initial=0.0)
    return float((highest * np.abs(stretch.gains)).max())
