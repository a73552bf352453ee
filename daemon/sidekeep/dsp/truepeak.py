"""True peaks: a table of them, interpolated only where one could be the highest.

ITU-R BS.1770-5 (11/2023), Annex 2, with sixteen-fold interpolation at every sample rate in place of
the four-fold of its example, which may read 0.69 dB low.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from sidekeep.dsp.equalblocks import EqualBlocks
from sidekeep.dsp.gathering import Spool
from sidekeep.dsp.interpolation import AFTER, BEFORE, KERNEL, REACH, TAPS
from sidekeep.dsp.meter import Block
from sidekeep.dsp.stretch import Stretch

_SEGMENT_CELLS = 200
_WINDOWS_AT_ONCE = 4096
_CROWDED = 8  # a cell with more than one in eight frames in question is first searched coarsely
_MISSED_BY_QUARTERS = 1.09  # 1 / cos(pi / 8) = 1.082: what lies between quarters, at most
_ROUNDING = 1.0001  # single precision must not turn the proven bound into a near one

_KERNEL = KERNEL.astype(np.float32)

Float32 = NDArray[np.float32]


@dataclass(frozen=True)
class TruePeakTable:
    """Highest value between the samples in cells of `cell_frames` (10 ms), (channels, cells), linear.

    A cell holds its true peak if that could be the highest of any 4 s or more that contain the cell,
    else its sample peak, which is lower. So the maximum over 4 s or more is the true peak; over less
    it lies between the sample peak and the true peak.
    """

    cell_frames: int
    true_peak: Float32


class TruePeakMeter:
    """Fills a `TruePeakTable`.

    The recording is taken in segments of 2 s. Any 4 s that touch a segment hold the whole of it or of
    a neighbour, so what stays below the lowest sample peak of the three cannot be the highest there.
    A segment is therefore worked on when the next one has come.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._cell = round(rate_hz / 100)
        self._frames = 0
        self._blocks = EqualBlocks(channels, self._cell * _SEGMENT_CELLS, np.float32)
        self._tail = np.zeros((channels, BEFORE), np.float32)
        self._waiting: _Segment | None = None
        self._earlier_peak = np.full(channels, np.inf, np.float32)
        self._cells = Spool(1, np.zeros((channels, 0), np.float32))

    def update(self, block: Block) -> None:
        """Take the next block, shape (channels, frames)."""
        self._frames += block.shape[1]
        for equal in self._blocks.cut(block):
            self._take(_Segment.of(equal, self._cell))

    def finish(self) -> TruePeakTable:
        """Return the table for everything seen; the audio after the end is taken as silent."""
        block, frames = self._blocks.last()
        if frames:
            self._take(_Segment.of(block, self._cell))
        if self._waiting is not None:
            self._work_on(self._waiting, None)
            self._waiting = None
        cells = -(-self._frames // self._cell)
        return TruePeakTable(self._cell, self._cells.table()[:, :cells])

    def _take(self, segment: _Segment) -> None:
        if self._waiting is not None:
            self._work_on(self._waiting, segment)
        self._waiting = segment

    def _work_on(self, segment: _Segment, following: _Segment | None) -> None:
        floor = np.minimum(self._earlier_peak, segment.peak)
        segment.around[:, :BEFORE] = self._tail
        if following is not None:
            floor = np.minimum(floor, following.peak)
            segment.around[:, -AFTER:] = following.samples[:, :AFTER]
        self._cells.append(_true_peaks(segment.around, segment.cell_peaks, floor))
        self._tail = segment.samples[:, -BEFORE:]
        self._earlier_peak = segment.peak


def max_true_peak(table: TruePeakTable, *stretches: Stretch) -> float:
    """The highest true peak of one or several stretches, linear; 0 if they are empty.

    Cells that lie only partly in a stretch count, so a peak up to 10 ms outside may be included.
    """
    return max((_true_peak(table, stretch) for stretch in stretches), default=0.0)


def _true_peak(table: TruePeakTable, stretch: Stretch) -> float:
    stretch.check(len(table.true_peak))
    first, last = max(0, stretch.start) // table.cell_frames, -(-stretch.end // table.cell_frames)
    highest = table.true_peak[:, first:last].max(axis=1, initial=0.0)
    return float((highest * np.abs(stretch.gains)).max())


@dataclass(frozen=True, slots=True)
class _Segment:
    """Samples with room for those around them, sample peaks of their cells and of it all.

    Shapes: (channels, BEFORE + frames + AFTER), (channels, cells), (channels,).
    """

    around: Float32
    cell_peaks: Float32
    peak: Float32

    @classmethod
    def of(cls, block: Block, cell_frames: int) -> _Segment:
        around = np.empty((len(block), BEFORE + block.shape[1] + AFTER), np.float32)
        around[:, :BEFORE] = around[:, -AFTER:] = 0
        around[:, BEFORE:-AFTER] = block
        peaks = _peaks(block.reshape(len(block), -1, cell_frames))
        return cls(around, peaks, peaks.max(axis=1))

    @property
    def samples(self) -> Float32:
        """The segment's own samples, (channels, frames)."""
        return self.around[:, BEFORE:-AFTER]


def _true_peaks(around: Float32, cell_peaks: Float32, floor: Float32) -> Float32:
    """True peaks of cells; the sample peak where the true peak stays below `floor`.

    Args:
        around: samples of the cells with BEFORE frames before and AFTER after, (channels, frames).
        cell_peaks: sample peaks, (channels, cells).
        floor: what must be exceeded to matter, (channels,).
    """
    cells = cell_peaks.shape[1]
    cell = (around.shape[1] - TAPS + 1) // cells
    first_of_next = np.abs(around[:, BEFORE + cell :: cell][:, :cells])
    beyond = np.float32(REACH) * _bends(around, cells)
    reachable = np.maximum(cell_peaks, first_of_next) + beyond
    channel, place = np.nonzero(reachable * np.float32(_ROUNDING) > floor[:, np.newaxis])
    rows = sliding_window_view(around, cell + TAPS - 1, axis=1)[:, ::cell][channel, place]
    found = cell_peaks.copy()
    found[channel, place] = _row_peaks(
        rows, cell_peaks[channel, place], beyond[channel, place], floor[channel]
    )
    return found


def _bends(around: Float32, cells: int) -> Float32:
    """Largest second difference in reach of the taps of each cell, (channels, cells).

    Taken over the cell and both its neighbours, which is somewhat more than the taps.
    """
    bends = np.diff(around, n=2, axis=1)
    first, last = BEFORE - 1, bends.shape[1] - AFTER + 1
    own = _peaks(bends[:, first:last].reshape(len(bends), cells, -1))
    outer = (_peaks(bends[:, :first]), _peaks(bends[:, last:]))
    padded = np.concatenate((outer[0][:, np.newaxis], own, outer[1][:, np.newaxis]), axis=1)
    return np.maximum(np.maximum(padded[:, :-2], padded[:, 2:]), own)


def _peaks(samples: Float32) -> Float32:
    """Largest magnitude along the last axis, without a copy of it all."""
    highest: Float32 = np.maximum(samples.max(axis=-1), -samples.min(axis=-1))
    return highest


def _row_peaks(rows: Float32, peaks: Float32, beyond: Float32, floor: Float32) -> Float32:
    """True peaks of single cells, (cells,), looked for where the bound lets them exceed `floor`.

    Args:
        rows: samples of each cell and of the taps around it, (cells, frames + TAPS - 1).
        peaks: sample peaks, (cells,).
        beyond: how far the interpolated may reach beyond its two neighbours, (cells,).
        floor: what must be exceeded to matter, (cells,).
    """
    frames = rows.shape[1] - TAPS + 1
    limit = np.maximum(peaks, floor) / np.float32(_ROUNDING) - beyond
    heights = np.abs(rows[:, BEFORE : BEFORE + frames + 1])
    high = heights > limit[:, np.newaxis]
    possible = high[:, :-1] | high[:, 1:]

    crowded = np.flatnonzero(np.count_nonzero(possible, axis=1) * _CROWDED > frames)
    if len(crowded):
        quarters = np.maximum(_quarters(rows[crowded]), heights[crowded, :-1])
        quarters = np.maximum(quarters, heights[crowded, 1:])
        peaks[crowded] = np.maximum(peaks[crowded], quarters.max(axis=1))
        to_beat = np.maximum(peaks, floor)[crowded, np.newaxis]
        possible[crowded] = quarters * np.float32(_MISSED_BY_QUARTERS) > to_beat

    row, frame = np.divmod(np.flatnonzero(possible), frames)
    windows = sliding_window_view(rows, TAPS, axis=1)
    for first in range(0, len(row), _WINDOWS_AT_ONCE):
        batch = slice(first, first + _WINDOWS_AT_ONCE)
        between = _KERNEL @ windows[row[batch], frame[batch]].T
        np.maximum.at(peaks, row[batch], _peaks(between.T))
    return peaks


def _quarters(rows: Float32) -> Float32:
    """Highest of the values 1/4, 1/2 and 3/4 after every frame of a cell, (cells, frames).

    Everything is interpolated here, as one matrix product over short runs of frames.
    """
    frames = rows.shape[1] - TAPS + 1
    run = next(length for length in range(42, 0, -1) if frames % length == 0)
    product = np.zeros((run + TAPS - 1, 3, run), np.float32)
    for at in range(run):
        product[at : at + TAPS, :, at] = _KERNEL[3::4].T
    runs = sliding_window_view(rows, run + TAPS - 1, axis=1)[:, ::run]
    between = np.abs(runs @ product.reshape(len(product), -1)).reshape(len(rows), -1, 3, run)
    highest: Float32 = between.max(axis=2).reshape(len(rows), frames)
    return highest
