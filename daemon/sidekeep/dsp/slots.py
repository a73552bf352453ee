"""Slots: five cells of a `BandTable` (~0.11 s) in one, so that ticks and crackle no longer show."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.bands import BandTable

CELLS = 5
Floats = NDArray[np.float32]


@dataclass(frozen=True)
class Slots:
    """Levels and tonality per slot of `frames`.

    `level_db` (slots, rows x bands), the middle's bands first; `tonality_db` (slots, groups);
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
    codes = np.concatenate(list(table.level), axis=1) if rows else np.zeros((cells, 0), np.uint8)
    half = CELLS // 2
    padded = np.pad(codes, ((half, half), (0, 0)), mode="edge" if cells else "constant")
    lasting = _second_lowest(padded)[: slots * CELLS]
    codes = lasting.reshape(slots, CELLS, rows * bands).max(axis=1)
    tonality = table.tonality[: slots * CELLS].reshape(slots, CELLS, table.tonality.shape[1])
    middle = np.median(tonality, axis=1).astype(np.float32)
    frames = table.cell_frames * CELLS
    return Slots(
        frames,
        frames / rate_hz,
        bands,
        codes * np.float32(0.5) - np.float32(127),
        middle * np.float32(0.1),
    )


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
