"""Breaks: places where the music after a hard edge does not continue the music before it.

After a click, and under a new note, what sounded before goes on; after a jump of the stylus, or lost
samples, nothing does. Both sides of the edge are extrapolated across it by linear prediction (Burg's
method; Oudre, "Interpolation of Missing Samples in Sound Signals Based on Autoregressive Modeling",
IPOL 8, 2018, gives the background) and compared, band by band, with what is there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import scipy.fft
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

_SPREAD = 0.6  # variance of the natural logarithm of an error
# What one band may say. A tone that is cut anywhere goes on by chance one time in seven.
_LEAST, _MOST = -2.0, 3.0
_SMALLEST, _LARGEST = 0.01, 0.95
# At such a score nobody need look any further: the sound goes on.
_CLEAR, _SUDDEN_CLEAR = -5.0, -18.0
BEGUN, SUNK = _SUDDEN_CLEAR, _CLEAR  # scores where hardly anything, or much less, sounded before
_ARM_HZ = 20.0  # the arm swings below
_DIP_DB = 5.0  # a sound that has sunk so far before the edge may have ended by itself
_BEGIN_DB = 15.0  # a sound that is so much louder after the edge begins there
_JUST_BEFORE_MS, _EARLIER_MS, _AFTER_MS = (-35, -3), (-300, -60), (3, 35)
_SUSPECT = 2.0  # scores from which it is tried whether samples were lost
_SUSPECTS = 3  # such places in a piece; no more than two are told on a side
_SUDDEN = 9.0  # what a sudden edge has ahead in that; what it says in full is for the findings
_LONGEST_LOSS_S = 0.06
# Of 360 pops in steady music, which goes on, none goes on better later by more than 0.35; 32 of 34 places
# do where samples are missing. Steps of the medium range.
_CHANCE, _CHANCE_UNSTEADY, _LATER_SAYS = 0.4, 1.5, 10.0
_STEADY, _LEAST_STEADY = 1.7, 1.2
_LATER_MOST = 3.0  # a note that is struck again goes on at another time as well
_NOW, _LATER, _LEAST_LEFT = 2, 8, 0.03
_MEASURED = 1.0  # likeness, of 2, of music in which it can be measured how much is missing
_LEAST_USUAL = 0.3  # likeness of what goes on, of music that nobody could foretell
_HALF = 2304  # samples on either side of an edge that the ranges are made of
_TAPER = 200  # samples at their ends that are faded, where nothing looks

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
    order: int = 48
    known: int = 400
    tested: int = 48

    @property
    def hole(self) -> int:
        return self.before + self.after


_FINE = _Range(1, (450, 800, 1250, 1900, 2700, 3700), before=4, after=8)
_MEDIUM = _Range(2, (150, 300, 500, 800, 1200, 1800), before=4, after=6)
_COARSE = _Range(4, (60, 150, 270, 420, 600, 850), before=4, after=10)
_RANGES = (_MEDIUM, _FINE, _COARSE)  # the one that clears the most edges comes first


def examine(
    middle: Signal, rate_hz: float, places: NDArray[np.int64], sudden: NDArray[np.bool_]
) -> Signal:
    """Weigh, for each place, that the sound breaks there against that it goes on.

    Where it goes on, a band is about as hard to predict across the place as beside it, or as what
    joins it there (or ends) makes it; where it breaks, the error is about 1. Errors are taken as
    log-normal, so that each band gives a logarithm of a likelihood ratio, in two mixes of the channels
    that share nothing around the place; they are added up as if they were independent. Under a loud
    new note nobody hears whether the old one goes on, and then nothing is said.

    Args:
        middle: samples (channels, samples), 2304 or more on either side of every place.
        rate_hz: their rate.
        places: sample indices, shape (n,).
        sudden: whether the edge is no sound, shape (n,); such places are given up later, and break
            also where the sound goes on, if it goes on better some milliseconds on.

    Returns:
        Shape (n, 3). The score: above 0 when a break explains more; only those are exact. For
        breaks, the seconds that are missing if samples were lost (0 if that cannot be told), and how
        like the sound is to its continuation after so long, against how like it is where it goes on:
        about 0.9 where samples were lost, 0.5 for jumps to elsewhere.
    """
    clear = np.where(sudden, _SUDDEN_CLEAR, _CLEAR)
    seen = np.zeros((places.size, 3), np.float32)
    windows = _Windows(middle, rate_hz, places)
    seen[:, 0] = np.where(~sudden & windows.sunk(), SUNK, 0.0)
    seen[windows.begun(), 0] = BEGUN
    for part in _RANGES:
        doubtful = np.flatnonzero(seen[:, 0] > clear)
        if doubtful.size:
            seen[doubtful, 0] += _scores(windows.of(part, doubtful), rate_hz / part.factor, part)
    likely = seen[:, 0] + np.where(sudden, _SUDDEN, 0.0)
    suspect = np.argsort(-likely, kind="stable")
    suspect = suspect[(likely[suspect] >= _SUSPECT) | sudden[suspect]][:_SUSPECTS]
    if suspect.size:
        seen[suspect, 1:], later = _lost(windows, suspect, rate_hz)
        rather = sudden[suspect] & (later > 0)
        later = np.minimum(later[rather], _LATER_MOST)
        seen[suspect[rather], 0] = np.maximum(seen[suspect[rather], 0], later)
    return seen


class _Windows:
    """The signal around every place, and at the rate of each range without what lies below it.

    The knock of a jump rings there.
    """

    def __init__(self, middle: Signal, rate_hz: float, places: NDArray[np.int64]) -> None:
        self._rate_hz = rate_hz
        cut = middle[:, places[:, np.newaxis] + np.arange(-_HALF, _HALF)]
        from_end = np.minimum(np.arange(2 * _HALF), np.arange(2 * _HALF)[::-1])
        taper = np.minimum(from_end.astype(np.float32) / np.float32(_TAPER), np.float32(1))
        self._spectra = scipy.fft.rfft(cut * taper)
        # The arm swings after a jump; how loud the music is does not follow from that.
        rise = np.clip(np.fft.rfftfreq(2 * _HALF, 1 / rate_hz) / _ARM_HZ - 1, 0, 1).astype(
            np.float32
        )
        self._music: Signal = scipy.fft.irfft(self._spectra * rise, 2 * _HALF)

    def of(self, part: _Range, rows: NDArray[np.int64]) -> Signal:
        """Some windows in a range, shape (channels, rows, samples), the place in the middle."""
        size = 2 * _HALF // part.factor
        hz = np.fft.rfftfreq(size, part.factor / self._rate_hz)
        rise = (hz / part.edges_hz[0] - 0.4) / 0.6
        fall = (self._rate_hz / part.factor / 2 - hz) / part.edges_hz[0]
        shape = np.sin(np.pi / 2 * np.clip(np.minimum(rise, fall), 0, 1)) ** 2 / part.factor
        found: Signal = scipy.fft.irfft(
            self._spectra[:, rows, : hz.size] * shape.astype(np.float32), size
        )
        return found

    def sunk(self) -> NDArray[np.bool_]:
        """Whether the level just before a place lies well below what it was, shape (n,)."""
        sunk: NDArray[np.bool_] = self._level_db(_JUST_BEFORE_MS) < (
            self._level_db(_EARLIER_MS) - _DIP_DB
        )
        return sunk

    def begun(self) -> NDArray[np.bool_]:
        """Whether hardly anything sounded before a place, shape (n,)."""
        begun: NDArray[np.bool_] = self._level_db(_AFTER_MS) > (
            self._level_db(_JUST_BEFORE_MS) + _BEGIN_DB
        )
        return begun

    def _level_db(self, edges_ms: tuple[int, int]) -> NDArray[np.float64]:
        """Level between two times from a place."""
        first, last = (_HALF + round(edge * self._rate_hz / 1000) for edge in edges_ms)
        part = self._music[..., max(0, first) : last]
        power = np.einsum("cnt,cnt->n", part, part) / part.shape[2]
        level: NDArray[np.float64] = 10 * np.log10(power.astype(np.float64) + 1e-14)
        return level


def _scores(signals: Signal, hz: float, part: _Range) -> Signal:
    across, beside, joined = _errors(signals, part, hz)
    usual = np.log(np.clip(np.maximum(beside, joined), _SMALLEST, _LARGEST))
    found = np.log(np.maximum(across, 1e-3))
    said = np.clip(-usual / _SPREAD * (found - usual / 2), _LEAST, _MOST)
    score: Signal = said.sum(axis=(0, 2)).astype(np.float32)
    return score


def _lost(
    windows: _Windows, rows: NDArray[np.int64], rate_hz: float
) -> tuple[Signal, NDArray[np.float64]]:
    """Seconds after which the sound goes on as after no other time, and how well; (n, 2).

    The second says that it goes on then rather than now, as the logarithm of the odds, shape (n,); a few
    tones that go on by chance where samples are missing go on better later, with all others.
    """
    (fine, fine_usual), (medium, medium_usual) = (
        _likeness(windows.of(part, rows), part, round(_LONGEST_LOSS_S * rate_hz / part.factor))
        for part in (_FINE, _MEDIUM)
    )
    step = _MEDIUM.factor
    likeness = medium + fine[:, ::step][:, : medium.shape[1]]
    usual = np.maximum(medium_usual + fine_usual, 2 * _LEAST_USUAL)
    lost_s = np.where(usual >= _MEASURED, likeness.argmax(axis=1) * step / rate_hz, 0.0)
    alike = likeness / usual[:, np.newaxis]
    now, later = alike[:, :_NOW].max(axis=1), alike[:, _LATER:].max(axis=1)
    better = np.log(np.maximum(1 - now, _LEAST_LEFT) / np.maximum(1 - later, _LEAST_LEFT))
    chance = _CHANCE + _CHANCE_UNSTEADY * np.maximum(_STEADY - usual, 0)
    rather = np.where(usual >= _LEAST_STEADY, _LATER_SAYS * (better - chance), 0.0)
    return np.stack((lost_s, alike.max(axis=1)), axis=1).astype(np.float32), rather


def _likeness(
    signals: Signal, part: _Range, longest: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How like the sound is to its continuation after 0 to `longest` samples; (n, longest + 1).

    The second is how like a continuation is to the sound beside the place, where it does go on; (n,).
    """
    # To tell later from now takes more than to tell that something goes on.
    part = replace(part, before=12, after=24, order=64, known=600, tested=96)
    both = _toward(signals, part)
    learned = np.ascontiguousarray(both[:, : part.known])
    filters = burg(learned, part.order)
    ahead = _continued(learned[:, -part.order :], filters, part.hole + part.tested + longest)
    earlier = learned[:, : part.known - part.tested - part.hole]
    beside = _continued(earlier[:, -part.order :], filters, part.hole + part.tested)
    pairs = (ahead, both[:, -part.tested :]), (beside, learned[:, -part.tested :])
    alike = []
    for predicted, actual in pairs:
        expected = sliding_window_view(predicted[:, part.hole :], part.tested, axis=1)
        alike.append(_alike(expected, actual, signals.shape[1]))
    return alike[0], alike[1][:, 0]


def _alike(expected: Signal, actual: Signal, places: int) -> NDArray[np.float64]:
    """Cosine between windows (rows, lags, samples) and samples (rows, samples); (places, lags)."""
    window = np.hanning(actual.shape[1]).astype(np.float32)
    actual = actual * window
    cross = np.einsum("rst,rt->rs", expected, actual * window)
    norm = np.sqrt(np.einsum("rst,t->rs", expected**2, window**2))
    norm *= np.sqrt((actual**2).sum(axis=1))[:, np.newaxis]
    product, size = (x.reshape(-1, places, x.shape[1]).sum(axis=0) for x in (cross, norm))
    likeness: NDArray[np.float64] = product / np.maximum(size, 1e-12)
    return likeness


def _toward(signals: Signal, part: _Range) -> Signal:
    """Both sides of each place, read towards it, in mixes of the channels that share nothing there.

    Each row is known, hole, tested; shape (2 * channels * n, samples): mixes, directions, places.
    """
    middle = signals.shape[2] // 2
    first, last = middle - part.before, middle + part.after
    forward = signals[..., first - part.known : last + part.tested]
    backward = signals[..., first - part.tested : last + part.known][..., ::-1]
    both = np.stack((forward, backward), axis=1)
    if len(both) == 2:
        power, other, cross = (
            np.einsum("dnt,dnt->n", both[a], both[b]) for a, b in ((0, 0), (1, 1), (0, 1))
        )
        angle = (np.arctan2(2 * cross, power - other) / 2)[:, np.newaxis]
        cos, sin = np.cos(angle), np.sin(angle)
        both = np.stack((cos * both[0] + sin * both[1], cos * both[1] - sin * both[0]))
    return both.reshape(-1, both.shape[3])


def _errors(
    signals: Signal, part: _Range, hz: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Errors of prediction across places, beside them, and what a sound that joins would make.

    Each (mixes, n, bands); 0 is a perfect continuation, 1 no relation. Beside a place the side that is
    harder to predict counts. If something unrelated joined what goes on, or ended, the error would be
    the difference of the powers over their sum.
    """
    known, hole, tested, order = part.known, part.hole, part.tested, part.order
    both = _toward(signals, part)
    learned = np.ascontiguousarray(both[:, :known])
    filters = burg(learned, order)
    earlier = known - tested - hole
    starts = np.concatenate((learned[:, -order:], learned[:, earlier - order : earlier]))
    predicted = _continued(starts, np.concatenate((filters, filters)), hole + tested)[:, hole:]
    actual = np.concatenate((both[:, known + hole :], learned[:, -tested:]))
    error, alike = (
        x.reshape(2, len(signals), 2, signals.shape[1], -1)
        for x in _compared(predicted, actual, part, hz)
    )
    likeness = alike[0].mean(axis=1)
    return error[0].mean(axis=1), error[1].max(axis=1), (1 - likeness) / (1 + likeness)


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
