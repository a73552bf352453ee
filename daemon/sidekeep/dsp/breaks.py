"""Breaks: places where the music after a hard edge does not continue the music before it.

After a click, and under a new note, what sounded before goes on; after a jump of the stylus, or lost
samples, nothing does. Both sides of the edge are extrapolated across it by linear prediction (Burg's
method; Oudre, "Interpolation of Missing Samples in Sound Signals Based on Autoregressive Modeling",
IPOL 8, 2018, gives the background) and compared, band by band, with what is there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from sidekeep.dsp.clicks import contrast_db

_PIECE_TICKS = 16_000
_PER_PIECE = 20  # candidates that are looked at in each piece, those that stand out most first
_STAND_OUT_DB, _LEVEL_DB = 7.0, -40.0
_MARGIN_TICKS = 420  # what the lowest bands need on either side of an edge
_SPREAD = 0.6  # variance of the natural logarithm of an error
_LEAST, _MOST = -8.0, 3.0  # what one band may say
_SMALLEST, _LARGEST = 0.01, 0.95
_CLEAR = -12.0  # at such a score nobody need look any further: the sound goes on
_DIP_DB = 5.0  # a sound that has sunk so far before the edge may have ended by itself
_JUST_BEFORE_MS, _EARLIER_MS = (-35, -3), (-300, -60)
_SUSPECT = 2.0  # scores from which it is tried whether samples were lost
_LONGEST_LOSS_S = 0.06

Signal = NDArray[np.float32]


@dataclass(frozen=True)
class _Range:
    """Bands that are looked at together, at the middle band's rate over `factor`; in samples.

    `before` and `after` the edge samples are left out, for clicks and what they ring.
    """

    factor: int
    edges_hz: tuple[int, ...]
    before: int
    after: int
    order: int = 64
    known: int = 600
    tested: int = 96

    @property
    def hole(self) -> int:
        return self.before + self.after


_RANGES = (
    _Range(1, (450, 800, 1250, 1900, 2700, 3700), before=12, after=24),
    _Range(2, (150, 300, 500, 800, 1200, 1800), before=10, after=20),
    _Range(4, (60, 150, 270, 420, 600, 850), before=10, after=30, order=60, known=500),
)


class BreakMeter:
    """Examines the edges that stand out most in every sixteen seconds.

    It takes the middle band (a fixed number of samples per tick) and the treble edges.
    """

    def __init__(self, middle_hz: float, per_tick: int, channels: int) -> None:
        self._middle_hz, self._per_tick = middle_hz, per_tick
        self._middle = np.zeros((channels, 0), np.float32)
        self._treble = np.zeros(0, np.float32)
        self._offset = 0
        self._found: list[tuple[NDArray[np.int64], Signal]] = [
            (np.zeros(0, np.int64), np.zeros((0, 3), np.float32))
        ]

    def update(self, middle: Signal, treble_db: Signal) -> None:
        """Take the next samples (channels, samples) and edges, shape (ticks,)."""
        self._middle = np.concatenate((self._middle, middle), axis=1)
        self._treble = np.concatenate((self._treble, treble_db))
        while self._ticks >= _PIECE_TICKS + 2 * _MARGIN_TICKS:
            self._examine(_PIECE_TICKS)

    @property
    def _ticks(self) -> int:
        return min(self._treble.size, self._middle.shape[1] // self._per_tick)

    def _examine(self, ticks: int) -> None:
        """Look at so many ticks behind the margin, then move on."""
        window = self._treble[: ticks + 2 * _MARGIN_TICKS]
        contrast = contrast_db(window)
        edges = np.flatnonzero((contrast >= _STAND_OUT_DB) & (window >= _LEVEL_DB))
        edges = edges[(edges >= _MARGIN_TICKS) & (edges < ticks + _MARGIN_TICKS)]
        edges = np.sort(edges[np.argsort(-contrast[edges], kind="stable")[:_PER_PIECE]])
        if edges.size:
            middle = self._middle[:, : window.size * self._per_tick]
            places = edges * self._per_tick + self._per_tick // 2
            seen = examine(middle, self._middle_hz, places)
            self._found.append((edges + self._offset, seen))
        self._offset += ticks
        self._treble = self._treble[ticks:]
        self._middle = self._middle[:, ticks * self._per_tick :]

    def finish(self) -> tuple[NDArray[np.int64], Signal]:
        """Return ticks (n,) and, (n, 3), scores, lost seconds and their likeness."""
        last = self._ticks - 2 * _MARGIN_TICKS
        if last > 0:
            self._examine(last)
        ticks, seen = zip(*self._found, strict=True)
        return np.concatenate(ticks), np.concatenate(seen)


def examine(middle: Signal, rate_hz: float, places: NDArray[np.int64]) -> Signal:
    """Weigh, for each place, that the sound breaks there against that it goes on.

    Where it goes on, a band is about as hard to predict across the place as beside it; where it
    breaks, the error is about 1. Both errors are taken as log-normal, so that each band of the sum
    and of the difference of the channels gives a logarithm of a likelihood ratio; they are added up
    as if they were independent. What speaks for a break counts the less, the more a band's level
    differs on both sides: under a loud new note nobody hears whether the old one goes on.

    Args:
        middle: samples (channels, samples), 3000 or more on either side of every place.
        rate_hz: their rate.
        places: sample indices, shape (n,).

    Returns:
        Shape (n, 3). The score: above 0 when a break explains more; only those are exact. For
        breaks, the seconds that are missing if samples were lost, and how like the sound is to its
        continuation after so long: 1 for equal, under 0.5 for most jumps to elsewhere.
    """
    signals = _split(middle, rate_hz)
    seen = np.zeros((places.size, 3), np.float32)
    seen[:, 0] = np.where(_sunk(middle, rate_hz, places), _CLEAR, 0.0)
    for part, mixes in zip(_RANGES, signals, strict=True):
        doubtful = np.flatnonzero(seen[:, 0] > _CLEAR)
        if doubtful.size:
            hz = rate_hz / part.factor
            seen[doubtful, 0] += _scores(mixes, hz, places[doubtful] // part.factor, part)
    suspect = np.flatnonzero(seen[:, 0] >= _SUSPECT)
    if suspect.size:
        seen[suspect, 1:] = _lost(signals, rate_hz, places[suspect])
    return seen


def _split(middle: Signal, rate_hz: float) -> list[Signal]:
    """Sum and difference of the channels for each range, at its rate, without what lies below it.

    The knock of a jump rings there.
    """
    mixes = middle
    if len(middle) == 2:
        mixes = np.stack((middle[0] + middle[1], middle[0] - middle[1]))
    coarsest = _RANGES[-1].factor
    size = (
        2 * coarsest * int(scipy.fft.next_fast_len(-(-mixes.shape[1] // (2 * coarsest)), real=True))
    )
    spectrum = scipy.fft.rfft(mixes, size)
    hz = np.arange(spectrum.shape[1], dtype=np.float32) * np.float32(rate_hz / size)
    found = []
    for part in _RANGES:
        bins = size // part.factor // 2 + 1
        rise = (hz[:bins] / part.edges_hz[0] - 0.4) / 0.6
        fall = (rate_hz / part.factor / 2 - hz[:bins]) / part.edges_hz[0]
        shape = np.sin(np.pi / 2 * np.clip(np.minimum(rise, fall), 0, 1)) ** 2 / part.factor
        kept = spectrum[:, :bins] * shape.astype(np.float32)
        found.append(scipy.fft.irfft(kept, size // part.factor))
    return found


def _scores(mixes: Signal, hz: float, places: NDArray[np.int64], part: _Range) -> Signal:
    scores = np.zeros(places.size)
    for signal in mixes:
        across, beside, alike = _errors(signal, places, part, hz)
        usual = np.log(np.clip(beside, _SMALLEST, _LARGEST))
        found = np.log(np.maximum(across, 1e-3))
        said = np.clip(-usual / _SPREAD * (found - usual / 2), _LEAST, _MOST)
        scores += np.where(said > 0, said * alike**0.25, said).sum(axis=1)
    return scores.astype(np.float32)


def _lost(signals: list[Signal], rate_hz: float, places: NDArray[np.int64]) -> Signal:
    """Seconds after which the sound goes on as after no other time, and how like it is; (n, 2)."""
    fine, coarse = (
        _likeness(
            mixes, places // part.factor, part, round(_LONGEST_LOSS_S * rate_hz / part.factor)
        )
        for mixes, part in zip(signals[:2], _RANGES[:2], strict=True)
    )
    step = _RANGES[1].factor
    likeness = (coarse + fine[:, ::step][:, : coarse.shape[1]]) / 2
    lost_s = likeness.argmax(axis=1) * step / rate_hz
    return np.stack((lost_s, likeness.max(axis=1)), axis=1).astype(np.float32)


def _likeness(
    mixes: Signal, places: NDArray[np.int64], part: _Range, longest: int
) -> NDArray[np.float64]:
    """How like the sound is to its continuation after 0 to `longest` samples; (n, longest + 1)."""
    count = places.size
    window = np.hanning(part.tested).astype(np.float32)
    product, size = np.zeros((count, longest + 1)), np.zeros((count, longest + 1))
    for signal in mixes:
        both = _toward(signal, places, part)
        learned = np.ascontiguousarray(both[:, : part.known])
        filters = burg(learned, part.order)
        ahead = _continued(learned[:, -part.order :], filters, part.hole + part.tested + longest)
        expected = sliding_window_view(ahead[:, part.hole :], part.tested, axis=1) * window
        actual = both[:, part.known + part.hole :] * window
        cross = np.einsum("rst,rt->rs", expected, actual)
        norm = np.sqrt((expected**2).sum(axis=2) * (actual**2).sum(axis=1)[:, np.newaxis])
        product += cross[:count] + cross[count:]
        size += norm[:count] + norm[count:]
    return product / np.maximum(size, 1e-12)


def _toward(signal: Signal, places: NDArray[np.int64], part: _Range) -> Signal:
    """Both sides of each place, read towards it: known, hole, tested; shape (2 n, samples)."""
    steps = np.arange(part.known + part.hole + part.tested)
    forward = signal[(places - part.before - part.known)[:, np.newaxis] + steps]
    backward = signal[(places + part.after + part.known - 1)[:, np.newaxis] - steps]
    return np.concatenate((forward, backward))


def _sunk(middle: Signal, rate_hz: float, places: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether the level just before a place lies well below what it was."""
    running = np.cumsum(np.pad((middle.astype(np.float64) ** 2).sum(axis=0), (1, 0)))
    powers = []
    for first_ms, last_ms in (_JUST_BEFORE_MS, _EARLIER_MS):
        first, last = (places + round(edge * rate_hz / 1000) for edge in (first_ms, last_ms))
        powers.append((running[last] - running[first]) / (last - first))
    result: NDArray[np.bool_] = powers[0] < powers[1] * 10 ** (-_DIP_DB / 10)
    return result


def _errors(
    signal: Signal, places: NDArray[np.int64], part: _Range, hz: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Errors (n, bands) of prediction across places, beside them, and the likeness of the powers.

    0 is a perfect continuation, 1 no relation. Beside them the side that is harder to predict
    counts. The likeness is the smaller of the predicted and the actual power over the larger.
    """
    known, hole, tested, order = part.known, part.hole, part.tested, part.order
    both = _toward(signal, places, part)
    learned = np.ascontiguousarray(both[:, :known])
    filters = burg(learned, order)
    across, alike = _compared(
        _continued(learned[:, -order:], filters, hole + tested)[:, hole:],
        both[:, known + hole :],
        part,
        hz,
    )
    earlier = known - tested - hole
    beside, _ = _compared(
        _continued(learned[:, earlier - order : earlier], filters, hole + tested)[:, hole:],
        learned[:, -tested:],
        part,
        hz,
    )
    count = places.size
    return (
        (across[:count] + across[count:]) / 2,
        np.maximum(beside[:count], beside[count:]),
        (alike[:count] + alike[count:]) / 2,
    )


def _compared(
    predicted: Signal, actual: Signal, part: _Range, hz: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Normalised errors (rows, bands), and the smaller power over the larger one."""
    window = np.hanning(part.tested).astype(np.float32)
    spectra = np.fft.rfft(predicted * window), np.fft.rfft(actual * window)
    bins = np.searchsorted(np.fft.rfftfreq(part.tested, 1 / hz), part.edges_hz)
    wrong, expected, found = (
        np.add.reduceat(np.abs(x[:, : bins[-1]]) ** 2, bins[:-1], axis=1, dtype=np.float64) + 1e-16
        for x in (spectra[0] - spectra[1], *spectra)
    )
    return wrong / (expected + found), np.minimum(expected, found) / np.maximum(expected, found)


def _continued(history: Signal, filters: Signal, count: int) -> Signal:
    """Predict `count` samples after `history` (rows, order)."""
    order = history.shape[1]
    out = np.empty((history.shape[0], order + count), np.float32)
    out[:, :order] = history
    weights = -filters[:, :0:-1]
    for step in range(count):
        out[:, order + step] = np.einsum("ij,ij->i", out[:, step : step + order], weights)
    return out[:, order:]


def burg(signals: Signal, order: int) -> Signal:
    """Prediction-error filters by Burg's method, one per row; shape (rows, order + 1), first 1."""
    forward, backward = signals[:, 1:], signals[:, :-1]
    filters = np.zeros((signals.shape[0], order + 1), np.float32)
    filters[:, 0] = 1
    for done in range(1, order + 1):
        power = np.einsum("ij,ij->i", forward, forward) + np.einsum("ij,ij->i", backward, backward)
        reflection = -2 * np.einsum("ij,ij->i", forward, backward) / np.maximum(power, 1e-20)
        k = reflection[:, np.newaxis]
        filters[:, 1 : done + 1] += k * filters[:, done - 1 :: -1][:, :done]
        forward, backward = (forward + k * backward)[:, 1:], (backward + k * forward)[:, :-1]
    return filters
