"""Jumps in the beat: places after which what is struck comes as it would have come a turn later.

Music repeats itself, after a beat, after a bar. How much it does is compared between what is before a
place and what is after it, at every distance: where the beat goes on, the two agree with each other at
the distances at which each agrees with itself; after a jump by one turn, at distances a turn shorter.
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

CELL_TICKS = 20
"""Ticks of the event table that make a cell of the envelope, about 20 ms."""

_LARGEST_RISE_DB = 12.0
_QUIET_SHARE = 0.1  # what rises among the quietest cells is noise
_FLOOR = 1e-9  # mean square of the bass
_WINDOW_S, _LEAST_S = 14.0, 4.0  # what is compared on either side of a place
_LAGS_S = (0.25, 6.0)  # distances between what is before and what is after
_OVERLAP_S = 1.5  # least overlap that tells how music is like itself
_AROUND = 2  # cells left out before and after a place, for the edge itself
_LEFT = 0.05  # part of the variance that even a perfect repetition leaves open
_AT_ONCE = 128  # places

Floats = NDArray[np.float32]
Counts = NDArray[np.int64]


def beat_levels(edges_db: Floats, low: Floats) -> Floats:
    """Levels of treble, middle and bass in decibels, shape (3, cells); a last part of a cell is left out.

    Args:
        edges_db: hard edges in treble and middle, louder channel, shape (2, ticks).
        low: the low signal of the event table, shape (channels, ticks).
    """
    cells = edges_db.shape[1] // CELL_TICKS
    ticks = cells * CELL_TICKS
    hardest_db = edges_db[:, :ticks].reshape(2, cells, CELL_TICKS).max(axis=2)
    power = np.einsum("ct,ct->t", low[:, :ticks], low[:, :ticks]).reshape(cells, CELL_TICKS)
    bass_db = 10 * np.log10(power.mean(axis=1) + np.float32(_FLOOR))
    levels: Floats = np.concatenate((hardest_db, bass_db[np.newaxis]))
    return levels


def beat_envelope(level_db: Floats) -> Floats:
    """How much rises from cell to cell, a little blunted; shapes (bands, cells)."""
    if not level_db.size:
        return level_db
    level_db = np.maximum(level_db, np.quantile(level_db, _QUIET_SHARE, axis=1, keepdims=True))
    rises = np.clip(np.diff(level_db, axis=1, prepend=level_db[:, :1]), 0, _LARGEST_RISE_DB)
    envelope: Floats = rises.astype(np.float32)
    envelope[:, 1:-1] = (rises[:, :-2] + 2 * rises[:, 1:-1] + rises[:, 2:]) / 4
    return envelope


def beat_jumps(
    envelope: Floats,
    places: Counts,
    within: Counts,
    turns: tuple[float, ...],
    cells_per_second: float,
) -> NDArray[np.float64]:
    """Weigh, for each place, that the beat jumps ahead there by a turn against that it goes on.

    Args:
        envelope: of `beat_envelope`, shape (bands, cells).
        places: cells, shape (n,).
        within: first and last cell of the music around each place, shape (n, 2).
        turns: possible lengths of a turn, in cells.
        cells_per_second: of the envelope.

    Returns:
        Shape (n,): half the logarithm of the odds if every distance told but once; for each band 3 at
        most, below 0 where the beat goes on, 0 where too little music is beside a place to tell.
    """
    found = np.zeros(places.size)
    for start in range(0, places.size, _AT_ONCE):
        part = slice(start, start + _AT_ONCE)
        compared = _Compared(envelope, places[part], within[part], cells_per_second, max(turns))
        goes_on = compared.left_open(0)
        # A turn is no whole number of cells, and the platter's speed is known to about one of them.
        steps = (int(turn) + step for turn in turns for step in (0, 1))
        jumps = np.min([compared.left_open(step) for step in steps], axis=0)
        found[part] = np.where(compared.enough, goes_on - jumps, 0)
    return found


class _Compared:
    """What is before and after some places, laid over each other and over itself at every distance."""

    def __init__(
        self, envelope: Floats, places: Counts, within: Counts, per_second: float, longest: float
    ) -> None:
        self._window = window = round(_WINDOW_S * per_second)
        lengths = np.stack((places - within[:, 0], within[:, 1] - places)) - _AROUND
        lengths = np.clip(lengths, 0, window)
        self.enough = lengths.min(axis=0) >= _LEAST_S * per_second
        before = _cut(envelope, places - _AROUND - window, lengths[0], window, last=True)
        after = _cut(envelope, places + _AROUND, lengths[1], window, last=False)
        size = next_fast_len(2 * window, real=True)
        first, second = rfft(before, size), rfft(after, size)
        self._lags = np.arange(*(round(edge_s * per_second) for edge_s in _LAGS_S))
        self._least = round(_OVERLAP_S * per_second)
        reach = int(self._lags[-1] + longest) + 2
        own = irfft(first.real**2 + first.imag**2 + second.real**2 + second.imag**2, size)
        self._pairs = np.clip(lengths[..., np.newaxis] - np.arange(reach), 0, None).sum(axis=0)
        self._own: Floats = (own[..., :reach] / _shared(self._pairs)).astype(np.float32)
        shift = self._lags - window - 2 * _AROUND
        begins = np.maximum(0, shift + window - lengths[0][:, np.newaxis])
        self._joint = np.minimum(lengths[1][:, np.newaxis], shift + window) - begins
        self._joint = np.clip(self._joint, 0, None)
        across = irfft(np.conj(first) * second, size)[..., shift % size]
        self._across: Floats = (across / _shared(self._joint)).astype(np.float32)

    def left_open(self, shift: int) -> NDArray[np.float64]:
        """Logarithms of what stays unexplained at a shift, summed over the bands; (n,)."""
        at = slice(self._lags[0] + shift, self._lags[-1] + shift + 1)
        pairs = self._pairs[:, at]
        weights = self._joint * np.minimum(pairs, self._window) * (pairs >= self._least)
        own: Floats = self._own[..., at]
        alike = _correlation(self._across, own, weights.astype(np.float32))
        left: NDArray[np.float64] = np.log(1 + _LEFT - np.maximum(alike, 0) ** 2).sum(axis=1)
        return left


def _shared(pairs: Counts) -> Floats:
    """What sums over so many pairs (n, lags) are divided by, for all bands; (n, 1, lags)."""
    return np.maximum(pairs, 1).astype(np.float32)[:, np.newaxis]


def _cut(envelope: Floats, starts: Counts, lengths: Counts, window: int, *, last: bool) -> Floats:
    """Windows (n, bands, window) less their mean, 0 but for so many cells at one end of each."""
    padded = np.pad(envelope, ((0, 0), (window, window)))
    cut: Floats = sliding_window_view(padded, window, axis=1).transpose(1, 0, 2)[starts + window]
    outside = [
        (index, slice(None, window - length) if last else slice(length, None))
        for index, length in enumerate(lengths.tolist())
        if length < window
    ]
    for index, part in outside:
        cut[index, :, part] = 0
    count = np.maximum(lengths, 1).astype(np.float32)
    cut -= cut.sum(axis=2, keepdims=True) / count[:, np.newaxis, np.newaxis]
    for index, part in outside:
        cut[index, :, part] = 0
    return cut


def _correlation(first: Floats, second: Floats, weights: Floats) -> NDArray[np.float64]:
    """Of rows (n, bands, lags) with weights (n, lags); shape (n, bands)."""
    shares = weights / np.maximum(weights.sum(axis=1, keepdims=True), np.float32(1e-9))
    means = [np.einsum("nbl,nl->nb", x, shares) for x in (first, second)]
    product, power, other = (
        np.einsum("nbl,nbl,nl->nb", x, y, shares) - mean * other_mean
        for x, y, mean, other_mean in (
            (first, second, *means),
            (first, first, means[0], means[0]),
            (second, second, means[1], means[1]),
        )
    )
    both = np.maximum(power, 0).astype(np.float64) * np.maximum(other, 0)
    found: NDArray[np.float64] = product / np.sqrt(both + 1e-12)
    return found
