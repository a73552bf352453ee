"""Breaks: places where the music after a hard edge does not continue the music before it.

After a click the music goes on where it was; after a jump of the stylus, or lost samples, it does
not. Both sides of the edge are extrapolated across it by linear prediction (Burg's method; Oudre,
"Interpolation of Missing Samples in Sound Signals Based on Autoregressive Modeling", IPOL 8, 2018,
gives the background) and compared with what is there.
"""

from __future__ import annotations

import numpy as np
import scipy.signal
from numpy.typing import NDArray

from sidekeep.dsp.clicks import contrast_db

_LOWEST_HZ = 500.0  # the knock of a jump rings below this
_ORDER, _KNOWN, _GAP, _TESTED = 64, 600, 20, 40  # samples of the middle band, 8 per millisecond
_REACH = _KNOWN + 2 * _GAP + _TESTED
_PIECE_TICKS = 16_000
_PER_PIECE = 16  # candidates that are looked at in each piece, the hardest edges first
_STAND_OUT_DB, _LEVEL_DB = 9.0, -30.0

Signal = NDArray[np.float64]


class BreakMeter:
    """Examines the hardest edges of every sixteen seconds.

    It takes the middle band (mono, a fixed number of samples per tick) and the treble edges.
    """

    def __init__(self, middle_hz: float, per_tick: int) -> None:
        self._filter = scipy.signal.butter(3, _LOWEST_HZ, "highpass", fs=middle_hz, output="sos")
        self._state = np.zeros((self._filter.shape[0], 2))
        self._per_tick = per_tick
        self._margin = -(-(_REACH + _GAP) // per_tick) + 1
        self._middle = np.zeros(0)
        self._treble = np.zeros(0, np.float32)
        self._later: list[tuple[Signal, NDArray[np.float32]]] = []  # joined when there is a piece
        self._waiting = 0
        self._offset = 0
        self._found: list[tuple[NDArray[np.int64], NDArray[np.float32]]] = []

    def update(self, middle: NDArray[np.float32], treble_db: NDArray[np.float32]) -> None:
        """Take the next samples of the middle band, shape (samples,), and edges, shape (ticks,)."""
        passed, self._state = scipy.signal.sosfilt(self._filter, middle, zi=self._state)
        self._later.append((passed, treble_db))
        self._waiting += treble_db.size
        if self._waiting >= _PIECE_TICKS:
            self._examine_pieces()

    def _examine_pieces(self) -> None:
        self._middle = np.concatenate((self._middle, *(middle for middle, _ in self._later)))
        self._treble = np.concatenate((self._treble, *(treble for _, treble in self._later)))
        self._later, self._waiting = [], 0
        while min(self._treble.size, self._middle.size // self._per_tick) >= (
            _PIECE_TICKS + 2 * self._margin
        ):
            self._examine(_PIECE_TICKS)

    def _examine(self, ticks: int) -> None:
        """Look at so many ticks behind the margin, then move on."""
        window = self._treble[: ticks + 2 * self._margin]
        contrast = contrast_db(window)
        edges = np.flatnonzero((contrast >= _STAND_OUT_DB) & (window >= _LEVEL_DB))
        edges = edges[(edges >= self._margin) & (edges < ticks + self._margin)]
        edges = np.sort(edges[np.argsort(-window[edges], kind="stable")[:_PER_PIECE]])
        if edges.size:
            places = edges * self._per_tick + self._per_tick // 2
            self._found.append((edges + self._offset, _errors(self._middle, places)))
        self._offset += ticks
        self._treble = self._treble[ticks:]
        self._middle = self._middle[ticks * self._per_tick :]

    def finish(self) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
        """Return ticks (n,) and errors (n, 2): across the edge, and beside it for comparison.

        An error of 0 is a perfect continuation, 1 no relation at all.
        """
        self._examine_pieces()
        last = min(self._treble.size, self._middle.size // self._per_tick) - 2 * self._margin
        if last > 0:
            self._examine(last)
        ticks = [np.zeros(0, np.int64), *(found[0] for found in self._found)]
        errors = [np.zeros((0, 2), np.float32), *(found[1] for found in self._found)]
        return np.concatenate(ticks), np.concatenate(errors)


def _errors(signal: Signal, places: NDArray[np.int64]) -> NDArray[np.float32]:
    """Errors (n, 2) of prediction across places, and of the same task on either side of them."""
    reach = np.arange(_REACH)
    before = signal[places[:, np.newaxis] - _GAP - _REACH + reach]
    after = signal[places[:, np.newaxis] + _GAP + _REACH - 1 - reach]
    # Read towards the edge, both are "known, gap, tested" for the comparison; the known part that
    # ends at the edge predicts what lies beyond it.
    toward = np.concatenate((before, after))
    beside = _prediction_error(toward[:, :_KNOWN], toward[:, -_TESTED:])
    beyond = np.concatenate((after[:, ::-1][:, :_TESTED], before[:, ::-1][:, :_TESTED]))
    across = _prediction_error(toward[:, -_KNOWN:], beyond)
    count = places.size
    mean_beside = (beside[:count] + beside[count:]) / 2
    mean_across = (across[:count] + across[count:]) / 2
    return np.stack((mean_across, mean_beside), axis=1).astype(np.float32)


def _prediction_error(known: Signal, actual: Signal) -> NDArray[np.float64]:
    """Normalised error of predicting `actual`, which begins two gaps after `known` ends."""
    coefficients = burg(known, _ORDER)
    history = known[:, -_ORDER:].copy()
    predicted = np.empty((known.shape[0], 2 * _GAP + _TESTED))
    for step in range(predicted.shape[1]):
        value = -(history[:, ::-1] * coefficients[:, 1:]).sum(axis=1)
        predicted[:, step] = value
        history = np.concatenate((history[:, 1:], value[:, np.newaxis]), axis=1)
    tested = predicted[:, 2 * _GAP :]
    power = (tested**2).sum(axis=1) + (actual**2).sum(axis=1)
    error: NDArray[np.float64] = ((tested - actual) ** 2).sum(axis=1) / np.maximum(power, 1e-20)
    return error


def burg(signals: Signal, order: int) -> Signal:
    """Prediction-error filters by Burg's method, one per row; shape (rows, order + 1), first 1."""
    forward, backward = signals[:, 1:], signals[:, :-1]
    filters = np.zeros((signals.shape[0], order + 1))
    filters[:, 0] = 1.0
    for step in range(1, order + 1):
        power = _dot(forward, forward) + _dot(backward, backward)
        reflection = -2 * _dot(forward, backward) / np.maximum(power, 1e-30)
        k = reflection[:, np.newaxis]
        filters[:, : step + 1] += k * filters[:, step::-1]
        forward, backward = (forward + k * backward)[:, 1:], (backward + k * forward)[:, :-1]
    return filters


def _dot(rows: Signal, others: Signal) -> Signal:
    """Dot products row by row."""
    product: Signal = np.einsum("ij,ij->i", rows, others)
    return product
