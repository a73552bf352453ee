"""Loudness: a table of K-weighted energies, and the loudness of any stretch by look-up in it.

ITU-R BS.1770-5 (11/2023), Annex 1; EBU Tech 3341 v4 (momentary, short-term) and Tech 3342 v4
(loudness range). Channels all weigh 1 (left and right, or one). A mono file counts as its one
channel, as in libebur128, so ReplayGain for it brings the channel, not the pair of loudspeakers that
plays it, to the reference; the same recording as two equal channels reads 3.01 LU more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.equalblocks import EqualBlocks
from sidekeep.dsp.filters import SectionFilter
from sidekeep.dsp.gathering import Spool, let_go
from sidekeep.dsp.kweighting import k_weighting
from sidekeep.dsp.meter import Block
from sidekeep.dsp.stretch import Stretch

ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
RANGE_GATE_LU = -20.0
_CELLS_AT_ONCE = 64


@dataclass(frozen=True)
class LoudnessTable:
    """Mean square of the K-weighted signal in cells of `cell_frames` (10 ms).

    `energy` is (channels, cells), linear, full scale = 1.0. `frames` is the length of what was seen; a
    last, incomplete cell holds its energy over the whole length of a cell.
    """

    rate_hz: int
    frames: int
    cell_frames: int
    energy: NDArray[np.float32]


def cell_frames(rate_hz: int) -> int:
    """Frames of one cell."""
    return round(rate_hz / 100)


class LoudnessMeter:
    """Fills a `LoudnessTable`."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz = rate_hz
        self._cell = cell_frames(rate_hz)
        frames = self._cell * _CELLS_AT_ONCE
        self._blocks = EqualBlocks(channels, frames, np.float32)
        self._weighting = SectionFilter(k_weighting(rate_hz), channels, frames, np.float32)
        self._energies = Spool(1, np.zeros((channels, 0), np.float32))
        self._frames = 0

    def update(self, block: Block) -> None:
        """Take the next block, shape (channels, frames)."""
        self._frames += block.shape[1]
        for equal in self._blocks.cut(block):
            self._energies.append(self._weigh(equal))

    def _weigh(self, block: Block) -> NDArray[np.float32]:
        cells = self._weighting.process(block).reshape(len(block), -1, self._cell)
        energy: NDArray[np.float32] = np.einsum("cij,cij->ci", cells, cells)
        return energy / np.float32(self._cell)

    def finish(self) -> LoudnessTable:
        """Return the table for everything seen."""
        block, _ = self._blocks.last()
        self._energies.append(self._weigh(block))
        energy = self._energies.table()
        cells = -(-self._frames // self._cell)
        return LoudnessTable(self._rate_hz, self._frames, self._cell, energy[:, :cells])


def block_energies(
    table: LoudnessTable, stretch: Stretch, *, length_s: float, step_s: float, beyond_s: float = 0.0
) -> NDArray[np.float64]:
    """Weighted energies of all blocks that lie wholly inside a stretch, shape (blocks,).

    Blocks start at the stretch's own first frame, not at a cell: energy between cell borders is shared
    out evenly, which moves no more than what differs inside 10 ms.

    Args:
        table: energies of the recording.
        stretch: frames and gains; frames outside the recording are silent.
        length_s: length of a block in seconds.
        step_s: from one block's start to the next, in seconds.
        beyond_s: silence to add at the end, in seconds.
    """
    stretch.check(len(table.energy))
    weights = np.square(stretch.gains)
    length, step = round(length_s * table.rate_hz), round(step_s * table.rate_hz)
    whole = stretch.end - stretch.start + round(beyond_s * table.rate_hz)
    starts = stretch.start + step * np.arange(max(0, (whole - length) // step + 1))
    low = max(0, stretch.start // table.cell_frames)
    high = max(low, -(-stretch.end // table.cell_frames))
    sums = np.zeros(high - low + 1)
    for weight, row in zip(weights, table.energy, strict=True):
        sums[1:] += weight * row[low:high]
    let_go(table.energy)
    np.cumsum(sums, out=sums)
    sums *= table.cell_frames
    ends = np.minimum(starts + length, stretch.end)
    energies = (_upto(table, low, sums, ends) - _upto(table, low, sums, starts)) / length
    return np.maximum(energies, 0.0)


def _upto(
    table: LoudnessTable, low: int, sums: NDArray[np.float64], frames: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Energy from cell `low` up to each frame, given the sums over whole cells."""
    if len(sums) == 1:
        return np.zeros(len(frames))
    cell = np.clip(frames // table.cell_frames - low, 0, len(sums) - 2)
    begins = (cell + low) * table.cell_frames
    length = np.minimum(table.cell_frames, table.frames - begins)
    share = np.clip((frames - begins) / length, 0.0, 1.0)
    energies: NDArray[np.float64] = sums[cell] + share * (sums[cell + 1] - sums[cell])
    return energies


def lufs(energies: NDArray[np.float64]) -> NDArray[np.float64]:
    """Loudness of weighted energies, BS.1770-5 equation (2); silence is minus infinity."""
    with np.errstate(divide="ignore"):
        return np.asarray(-0.691 + 10 * np.log10(energies))


def energy_at(loudness_lufs: float) -> float:
    """Weighted energy that has this loudness; the inverse of `lufs`."""
    return float(10 ** ((loudness_lufs + 0.691) / 10))


def integrated_lufs(table: LoudnessTable, *stretches: Stretch) -> float | None:
    """Gated loudness of one stretch, or of several together (an album), in LUFS.

    Blocks of 400 ms, three quarters overlapping, never across two stretches; absolute gate at
    -70 LUFS, relative gate 10 LU below what passes it (BS.1770-5, Annex 1).

    Returns:
        the loudness, or None where nothing passes the gate.
    """
    blocks = [block_energies(table, stretch, length_s=0.4, step_s=0.1) for stretch in stretches]
    return gated_lufs(np.concatenate((np.zeros(0), *blocks)))


def gated_lufs(blocks: NDArray[np.float64]) -> float | None:
    """Loudness of gating blocks after both gates; None where nothing passes.

    With the blocks of several recordings put together (see `block_energies`) this is the loudness of
    the whole album.
    """
    passed = blocks[blocks > energy_at(ABSOLUTE_GATE_LUFS)]
    if not len(passed):
        return None
    gate = passed.mean() * 10 ** (RELATIVE_GATE_LU / 10)
    return float(lufs(passed[passed > gate].mean()))


def momentary_lufs(table: LoudnessTable, stretch: Stretch) -> NDArray[np.float64]:
    """Loudness of 400 ms windows, every 10 ms, not gated (Tech 3341, 2.2)."""
    return lufs(block_energies(table, stretch, length_s=0.4, step_s=0.01))


def short_term_lufs(table: LoudnessTable, stretch: Stretch) -> NDArray[np.float64]:
    """Loudness of 3 s windows, every 100 ms, not gated (Tech 3341, 2.2)."""
    return lufs(block_energies(table, stretch, length_s=3.0, step_s=0.1))


def loudness_range_lu(table: LoudnessTable, *stretches: Stretch) -> float | None:
    """Loudness range of one or several stretches in LU, EBU Tech 3342 v4.

    Short-term loudness every 100 ms with 1.5 s of silence added at the end, gates at -70 LUFS and
    20 LU below the mean power of what passes, then from the 10th to the 95th percentile by nearest
    rank. None where nothing passes the gate.
    """
    windows = [
        block_energies(table, stretch, length_s=3.0, step_s=0.1, beyond_s=1.5)
        for stretch in stretches
    ]
    energies = np.concatenate((np.zeros(0), *windows))
    passed = energies[energies >= energy_at(ABSOLUTE_GATE_LUFS)]
    if not len(passed):
        return None
    gate = passed.mean() * 10 ** (RANGE_GATE_LU / 10)
    ranked = np.sort(lufs(passed[passed >= gate]))
    low, high = (ranked[round((len(ranked) - 1) * share)] for share in (0.10, 0.95))
    return float(high - low)
