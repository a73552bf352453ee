"""What comes back once per revolution: the groove's own fine structure.

A groove that is played twice gives the same noise twice: take the first turn from the second, and
less is left than groove noise. Music that repeats itself leaves the noise, new each time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

_SMOOTH_TICKS = 15
_PIECE_TICKS = 80
_MARGIN = 32  # ticks beside a window that resampling may spoil
_RIVAL = 0.5  # of the highest likeness: distances that may be the right one
_WINDOWS_AT_ONCE = 64  # bounds the memory that a long side takes

Fine = NDArray[np.float32]
Real = TypeVar("Real", np.float32, np.float64)


@dataclass(frozen=True)
class Repetition:
    """How well windows of a signal repeat what came about one revolution before; arrays (windows,).

    `start` is each window's first tick and `length` its length, `lag` the best distance in ticks,
    `likeness` the correlation of the fine structure there.
    """

    start: NDArray[np.int64]
    length: int
    lag: NDArray[np.int64]
    likeness: NDArray[np.float64]


def fine_structure(level_db: NDArray[np.float32]) -> Fine:
    """Take what is slow out of levels on ticks, shape (streams, ticks)."""
    smooth: Fine = uniform_filter1d(level_db, _SMOOTH_TICKS, axis=1)
    return np.subtract(level_db, smooth, out=smooth)


def repetition(
    level_db: NDArray[np.float32],
    *,
    turn_ticks: float,
    tolerance: float,
    hop_ticks: int,
    bass: NDArray[np.float32] | None = None,
) -> Repetition:
    """Compare every half-turn window with what was played about one turn before it.

    Fine structures are about as like at several distances in music of even notes, and less like at the
    right one when a turn is no whole number of ticks; the waveform of the bass says which it is.

    Args:
        level_db: treble and middle levels on ticks, shape (streams, ticks).
        turn_ticks: one revolution.
        tolerance: how far, as a part, the turntable may be off its speed.
        hop_ticks: distance of the windows.
        bass: the waveform of the bass on ticks, shape (ticks,), where it is known.
    """
    quick = fine_structure(level_db)
    shortest, longest = int(turn_ticks * (1 - tolerance)), int(turn_ticks * (1 + tolerance)) + 1
    length = int(turn_ticks / 2)
    starts = np.arange(longest, level_db.shape[1] - length, hop_ticks)
    if not starts.size:
        none = np.zeros(0)
        return Repetition(starts, length, starts, none)
    found = [
        _best(quick, bass, some, length, shortest, longest)
        for some in np.split(starts, range(_WINDOWS_AT_ONCE, starts.size, _WINDOWS_AT_ONCE))
    ]
    lag, likeness = (np.concatenate(column) for column in zip(*found, strict=True))
    return Repetition(starts, length, lag, likeness)


def _best(
    quick: Fine,
    bass: NDArray[np.float32] | None,
    starts: NDArray[np.int64],
    length: int,
    shortest: int,
    longest: int,
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """The best lag of every window, and the likeness of the fine structure there; both (windows,)."""
    alike = _correlation(quick, starts, length, shortest, longest)
    weighed = alike
    if bass is not None:
        waves = _correlation(bass[np.newaxis], starts, length, shortest, longest)
        rivals = alike >= _RIVAL * alike.max(axis=1, keepdims=True)
        weighed = np.where(rivals, alike + waves, -np.inf)
    best = weighed.argmax(axis=1)[:, np.newaxis]
    return longest - best[:, 0], np.take_along_axis(alike, best, axis=1)[:, 0]


def _correlation(
    rows: NDArray[np.float32],
    starts: NDArray[np.int64],
    length: int,
    shortest: int,
    longest: int,
) -> NDArray[np.float64]:
    """Of windows with what came before them, from `longest` ticks to `shortest`; (windows, lags)."""
    lags = longest - shortest + 1
    size = int(scipy.fft.next_fast_len(lags - 1 + length, real=True))
    product = np.zeros((starts.size, lags))
    base = int(starts[0]) - longest
    upto = np.zeros(int(starts[-1]) + length - base + 1)
    for row in rows:
        here = _windows(row, starts, length)
        there = _windows(row, starts - longest, lags - 1 + length)
        crossed = scipy.fft.rfft(there, size) * scipy.fft.rfft(here, size).conj()
        product += scipy.fft.irfft(crossed, size)[:, :lags]
        upto[1:] += np.cumsum(np.square(row[base : base + upto.size - 1]), dtype=np.float64)
    powers = upto[length:] - upto[:-length]
    there_power = _windows(powers, starts - longest - base, lags)
    here_power = powers[starts - base][:, np.newaxis]
    likeness: NDArray[np.float64] = product / np.sqrt(here_power * there_power + 1e-9)
    return likeness


def _windows(row: NDArray[Real], starts: NDArray[np.int64], length: int) -> NDArray[Real]:
    windows: NDArray[Real] = np.lib.stride_tricks.sliding_window_view(row, length)[starts]
    return windows


def extent(
    level_db: NDArray[np.float32], *, start: int, end: int, lag: int, reach: int
) -> tuple[int, int]:
    """Find where a repetition begins and ends: the steps in how much the fine structure differs.

    Args:
        level_db: levels on ticks, shape (streams, ticks).
        start: a tick near the start of the repeated stretch.
        end: a tick near its end.
        lag: ticks between the repetition and what is repeated.
        reach: how far from there to look.
    """
    quick = fine_structure(level_db)
    places = []
    for tick, rising in ((start, False), (end, True)):
        first, last = max(lag, tick - reach), min(level_db.shape[1], tick + reach)
        differs = np.abs(quick[:, first:last] - quick[:, first - lag : last - lag]).mean(axis=0)
        places.append(first + _step(differs if rising else -differs))
    return places[0], places[1]


def _step(values: NDArray[np.float32]) -> int:
    """Index at which a rising step fits best, in the sense of least squares."""
    count = np.arange(1, values.size, dtype=np.float64)
    below = np.cumsum(values, dtype=np.float64)[:-1]
    above = float(values.sum(dtype=np.float64)) - below
    rise = above / (values.size - count) - below / count
    gain = rise * np.abs(rise) * count * (values.size - count)
    return int(gain.argmax()) + 1


def leftover(
    signal: NDArray[np.float32], starts: NDArray[np.int64], lag: NDArray[np.int64], length: int
) -> NDArray[np.float64]:
    """Power that is left of windows when what came one revolution before is taken away.

    The distance is refined within two ticks. Half the power of the difference is given, so that
    noise which is new each time leaves its own power; the worst quarter of each window is left out.

    Args:
        signal: a waveform on ticks, shape (ticks,), free of content near half the tick rate.
        starts: first tick of each window.
        lag: whole ticks between the window and what it is compared with.
        length: ticks per window.
    """
    cuts = range(_WINDOWS_AT_ONCE, starts.size, _WINDOWS_AT_ONCE)
    pieces = zip(np.split(starts, cuts), np.split(lag, cuts), strict=True)
    padded = np.pad(signal, (0, 2 * _MARGIN))
    return np.concatenate([_left(padded, some, lags, length) for some, lags in pieces])


def _left(
    padded: NDArray[np.float32], starts: NDArray[np.int64], lag: NDArray[np.int64], length: int
) -> NDArray[np.float64]:
    margin, finer, reach = _MARGIN, 8, 16
    starts = np.maximum(starts, lag + margin)
    here = _windows(padded, starts, length)
    around = _windows(padded, starts - lag - margin, length + 2 * margin)
    there = scipy.fft.irfft(scipy.fft.rfft(around), around.shape[1] * finer) * np.float32(finer)
    shifts = range(margin * finer - reach, margin * finer + reach + 1)
    pieces = np.stack(
        [_piece_powers(here - there[:, shift : shift + length * finer : finer]) for shift in shifts]
    )
    # All but the worst quarter of the pieces: one knock does not speak for a window.
    powers = np.quantile(pieces, 0.75, axis=2)
    least = np.clip(powers.argmin(axis=0), 1, len(shifts) - 2)
    before, at, after = (powers[least + step, np.arange(starts.size)] for step in (-1, 0, 1))
    # Near its minimum the power is a parabola of the shift; its vertex is what would be left.
    vertex = at - (before - after) ** 2 / (8 * np.maximum(before - 2 * at + after, 1e-30))
    inside = (at <= before) & (at <= after)
    left: NDArray[np.float64] = np.where(inside, np.maximum(vertex, 0.0), powers.min(axis=0))
    return left / 2


def _piece_powers(windows: NDArray[np.float32]) -> NDArray[np.float32]:
    """Mean power of short pieces of windows (windows, ticks); shape (windows, pieces)."""
    pieces = windows.shape[1] // _PIECE_TICKS
    cut = windows[:, : pieces * _PIECE_TICKS].reshape(windows.shape[0], pieces, _PIECE_TICKS)
    powers: NDArray[np.float32] = np.einsum("wpt,wpt->wp", cut, cut) / np.float32(_PIECE_TICKS)
    return powers
