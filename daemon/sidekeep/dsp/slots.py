"""Slots: five cells of a `BandTable` (~0.11 s) in one, so that ticks and crackle no longer show."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.bands import BandTable
from sidekeep.dsp.gathering import Spool, let_go

CELLS = 5
_SLOTS_AT_ONCE = 4096  # bounds the memory that a long recording takes
Floats = NDArray[np.float32]


@dataclass(frozen=True)
class Slots:
    """Levels and tonality per slot of `frames`.

    `level_db` (slots, rows x bands), the middle's bands first, lies in a file; `tonality_db` (slots, groups);
    `bands` the number of bands of one row; `seconds` the length of a slot.
    """

    frames: int
    seconds: float
    bands: int
    level_db: Floats
    tonality_db: Floats

    def count(self, seconds: float) -> int:
        """How many slots make up `seconds`, at least one."""
        return max(1, round(seconds / self.seconds))


def slots_of(table: BandTable, rate_hz: int) -> Slots:
    """Gather the cells of a table into slots; an incomplete last slot is dropped.

    The second lowest of five cells stands for the level: what lasts one to three cells (a click, a
    tick, crackle of 20 per second) leaves it alone. A slot takes the highest of the five windows
    centred in it, so that a sound of 0.1 s sets it wherever it falls.

    Args:
        table: band levels of the recording.
        rate_hz: its sample rate.
    """
    rows, cells, bands = table.level.shape
    slots = cells // CELLS
    level_db = Spool(0, np.zeros((0, rows * bands), np.float32))
    for first in range(0, slots, _SLOTS_AT_ONCE):
        last = min(slots, first + _SLOTS_AT_ONCE)
        level_db.append(_codes(table, first, last) * np.float32(0.5) - np.float32(127))
        let_go(table.level)
    tonality = table.tonality[: slots * CELLS].reshape(slots, CELLS, table.tonality.shape[1])
    middle = np.median(tonality, axis=1).astype(np.float32)
    frames = table.cell_frames * CELLS
    return Slots(frames, frames / rate_hz, bands, level_db.table(), middle * np.float32(0.1))


def _codes(table: BandTable, first: int, last: int) -> NDArray[np.uint8]:
    """Codes of the levels of some slots, (slots, rows x bands)."""
    rows, cells, bands = table.level.shape
    half = CELLS // 2
    low, high = first * CELLS - half, last * CELLS + half
    around = table.level[:, max(0, low) : min(cells, high)]
    codes = np.concatenate(list(around), axis=1) if rows else np.zeros((cells, 0), np.uint8)
    padded = np.pad(codes, ((max(0, -low), max(0, high - cells)), (0, 0)), mode="edge")
    lasting = _second_lowest(padded)
    highest: NDArray[np.uint8] = lasting.reshape(last - first, CELLS, rows * bands).max(axis=1)
    return highest


def _second_lowest(codes: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The second lowest of every five cells in a row, along the first axis."""
    count = len(codes) - CELLS + 1
    lowest = np.full((count, codes.shape[1]), 255, np.uint8)
    second = lowest.copy()
    for offset in range(CELLS):
        cell = codes[offset : offset + count]
        np.minimum(second, np.maximum(lowest, cell), out=second)
        np.minimum(lowest, cell, out=lowest)
    return second
