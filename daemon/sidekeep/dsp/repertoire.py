"""Which pitches the music around a place is made of, and so how well shifted partials would fit in.

Music comes back to the same pitches. A platter that slows moves all partials away from them, and a
chord that nothing around has played moves them about in no common way. So for every stretch the
partials of the quarter minute before and after it are counted finely on a logarithmic axis; how much
more often one is met there than at any pitch nearby says how likely it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

Floats = NDArray[np.float32]

STEP = 2e-3
"""Width of a bin, as a natural logarithm: 3.5 cents, about as finely as partials are read."""

BLOCK = 20
"""Cells that are counted together, 2.6 s; the blocks beside a place say nothing about it."""

AROUND = 6
"""Blocks before and after that do, 15 s each way."""

_LOWEST, _HIGHEST = np.log(170.0), np.log(3000.0)
_BINS = int((_HIGHEST - _LOWEST) / STEP) + 1
_CHANCE = np.float32(0.3)  # part of the odds that any pitch has, so that no single partial decides
_UNSEEN = np.float32(1)  # partials that each bin may have had without being counted
_NEARBY = 100  # bins each way whose mean stands for any pitch nearby, more than a tone
_LEAST = 200  # partials that tell


@dataclass(frozen=True)
class Repertoire:
    """Partials counted per block and bin around every block.

    `before` and `after` (blocks, bins) are counts over the blocks before and after each.
    """

    before: Floats
    after: Floats


def repertoire(held_hz: Floats) -> Repertoire:
    """Count the partials around every block of cells.

    Args:
        held_hz: partials per cell, shape (cells, tones), 0 where there is none.
    """
    bins = _bins(held_hz)
    blocks = -(-len(bins) // BLOCK)
    cell, _ = np.nonzero(bins >= 0)
    flat = cell // BLOCK * _BINS + bins[bins >= 0]
    counts = np.bincount(flat, minlength=blocks * _BINS).reshape(blocks, _BINS)
    running = np.zeros((blocks + 2 * AROUND + 3, _BINS), np.float32)
    np.cumsum(counts, axis=0, out=running[AROUND + 2 : AROUND + 2 + blocks])
    running[AROUND + 2 + blocks :] = running[AROUND + 1 + blocks]
    before = running[AROUND : AROUND + blocks] - running[:blocks]
    after = running[2 * AROUND + 3 :][:blocks] - running[AROUND + 3 :][:blocks]
    return Repertoire(before, after)


def fitness(counts: Floats) -> Floats:
    """How much likelier a partial is in each bin than nearby (natural logarithm), shape of `counts`.

    Args:
        counts: partials per bin, shape (blocks, bins); with too few in a block it says nothing.
    """
    # Each stands for its neighbours too, a quarter each way; all is four times as large.
    spread = np.pad(counts, ((0, 0), (1, 1)))
    spread = spread[:, :-2] + 2 * spread[:, 1:-1] + spread[:, 2:]
    running = np.cumsum(np.pad(spread, ((0, 0), (1, 0))), axis=1)
    edges = np.arange(_BINS)
    low, high = np.maximum(edges - _NEARBY, 0), np.minimum(edges + _NEARBY + 1, _BINS)
    total = running[:, -1:]
    nearby = (running[:, high] - running[:, low]) / (high - low).astype(np.float32)
    ratio = (spread + 4 * _UNSEEN) / (nearby + 4 * _UNSEEN)
    fit: Floats = np.log((1 - _CHANCE) * ratio + _CHANCE)
    return np.where(total >= 4 * _LEAST, fit, np.float32(0))


def shifted_fitness(held_hz: Floats, fit: Floats, shifts: range) -> Floats:
    """How well each cell's partials fit in if the pitch was shifted, summed up, (cells, shifts).

    Args:
        held_hz: partials per cell, shape (cells, tones).
        fit: what `fitness` gave for every block.
        shifts: in bins, from below 0 to above it; positive is up.
    """
    bins = _bins(held_hz)
    low, high = -shifts[0], shifts[-1]
    padded = np.pad(fit, ((0, 0), (high, low)))
    seen = sliding_window_view(padded.ravel(), len(shifts))
    block = np.arange(len(bins))[:, np.newaxis] // BLOCK
    at = np.where(bins >= 0, block * padded.shape[1] + bins, 0)
    looked = seen[at]
    looked[bins < 0] = 0
    summed: Floats = looked.sum(axis=1)[:, ::-1]
    return summed


def _bins(held_hz: Floats) -> NDArray[np.intp]:
    """The bin of every partial, -1 where there is none."""
    logs = np.log(np.maximum(held_hz, np.float32(1)))
    place = np.rint((logs - np.float32(_LOWEST)) / np.float32(STEP)).astype(np.intp)
    return np.where((place >= 0) & (place < _BINS), place, -1)
