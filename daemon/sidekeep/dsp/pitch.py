"""How the pitch of everything together moves: from cell to cell, and in a swing per revolution.

Between two cells every partial of the first is compared with every partial of the second. The few
ratios that belong to one held tone lie together, the many that do not lie anywhere; how closely they
lie together is learnt from the music itself, some seconds of it at a time. A movement of the platter
moves those of all tones alike, which gives the odds that it took place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]

RATIO_STEP = 5e-4
"""Of `ratio_odds`, as a natural logarithm."""

_RATIO_REACH = 0.02
_SWING_STEP, _SWING_REACH = 4e-4, 0.01
_SWING_LAG = 2
_SWINGS = np.arange(0.0005, 0.0101, 0.0005)
_PHASES = 24
_ROUNDS = 8
_STRETCH_PIECES = 7  # two to three minutes
_CHANCE = 0.3  # part of the odds that any ratio may have, so that no single pair decides
_PIECE_CELLS = 160  # twenty seconds
_AROUND_CELLS = 80
_LEAST_PAIRS = 200
_OFF_BEAT = (0.8, 0.85, 0.9, 1.1, 1.15, 1.2, 1.3, 2.0, 3.0)  # a bar of music has harmonics


@dataclass(frozen=True)
class Swing:
    """A swing of pitch with one period per revolution: its odds, and its peak deviation as a part."""

    odds: float
    deviation: float


def ratio_odds(held_hz: NDArray[np.float32], first: int, last: int) -> NDArray[np.float32]:
    """How much likelier each ratio to the next cell is than none (natural logarithm).

    How closely held tones lie together is learnt from twenty seconds of music and ten on each side.

    Args:
        held_hz: partials per cell, shape (cells, tones), 0 where there is none.
        first: the first cell wanted.
        last: the one past the last.

    Returns:
        Odds by cell and ratio, shape (last - first, ratios): `RATIO_STEP` wide, the middle one none.
    """
    found = np.zeros((last - first, 2 * round(_RATIO_REACH / RATIO_STEP) + 1), np.float32)
    for start in range(first // _PIECE_CELLS * _PIECE_CELLS, last, _PIECE_CELLS):
        begin, end = max(first, start), min(last, start + _PIECE_CELLS)
        around = max(0, start - _AROUND_CELLS)
        pairs = _pairs(
            held_hz[around : start + _PIECE_CELLS + _AROUND_CELLS], 1, RATIO_STEP, _RATIO_REACH
        )
        if pairs.sum() < _LEAST_PAIRS:
            continue
        odds = pairs[begin - around : end - around] @ _shift_odds(pairs.sum(axis=0))
        found[begin - first :][: len(odds)] = odds - odds[:, [odds.shape[1] // 2]]
    return found


def swing(held_hz: NDArray[np.float32], cell_s: float, turn_s: float) -> Swing:
    """Fit a swing of pitch with one period per revolution.

    Its phase may change from stretch to stretch, since a turntable's speed is never known exactly.

    Args:
        held_hz: partials per cell, shape (cells, tones), 0 where there is none.
        cell_s: time from cell to cell; each lasts twice as long.
        turn_s: one revolution.
    """
    pieces = _pairs_by_phase(held_hz, cell_s / turn_s)
    stretches = [pieces[k : k + _STRETCH_PIECES] for k in range(0, len(pieces), _STRETCH_PIECES)]
    gain = 2 * np.sin(np.pi * _SWING_LAG * cell_s / turn_s)
    waves = np.cos(2 * np.pi * (np.arange(_PHASES)[:, np.newaxis] - np.arange(_PHASES)) / _PHASES)
    swings = np.rint(_SWINGS[:, np.newaxis, np.newaxis] * gain * waves / _SWING_STEP).astype(int)
    taken = [np.zeros(_PHASES, int) for _ in stretches]
    found = Swing(0.0, 0.0)
    for _ in range(_ROUNDS):
        gained = [_gained(*pair, swings) for pair in zip(stretches, taken, strict=True)]
        odds = sum((one.max(axis=1) for one in gained), np.zeros(len(_SWINGS)))
        size = int(odds.argmax())
        if odds[size] <= 0:
            break
        # Later rounds know better how closely tones lie together, but favour what was taken away.
        found = Swing(found.odds or float(odds[size]), float(_SWINGS[size]))
        taken = [swings[size, int(one[size].argmax())] for one in gained]
    return found


def chance_swing_odds(held_hz: NDArray[np.float32], cell_s: float, turn_s: float) -> float:
    """The best odds at periods that no revolution has: what music gives by chance."""
    return max(swing(held_hz, cell_s, turn_s / factor).odds for factor in _OFF_BEAT)


def _pairs_by_phase(held_hz: NDArray[np.float32], turns_per_cell: float) -> Reals:
    """Counts of ratios by piece of the music and phase of the revolution, (pieces, phases, bins)."""
    pieces = []
    for start in range(0, max(1, len(held_hz) - _SWING_LAG), _PIECE_CELLS):
        cells = held_hz[start : start + _PIECE_CELLS + _SWING_LAG]
        pairs = _pairs(cells, _SWING_LAG, _SWING_STEP, _SWING_REACH)
        turns = (start + np.arange(len(pairs))) * turns_per_cell
        phase = np.floor(turns % 1 * _PHASES)
        pieces.append((phase == np.arange(_PHASES)[:, np.newaxis]).astype(np.float64) @ pairs)
    return np.stack(pieces)


def _gained(pieces: Reals, taken: NDArray[np.int_], swings: NDArray[np.int_]) -> Reals:
    """Odds of every size and phase of a swing against a standing pitch, (sizes, phases).

    How closely the ratios of held tones lie together is learnt after taking a swing (phases,) away.
    """
    bins = pieces.shape[2]
    still = np.clip(np.arange(bins) + taken[:, np.newaxis], 0, bins - 1)
    odds = np.zeros(pieces.shape[1:])
    for piece in pieces:
        counts = np.take_along_axis(piece, still, axis=1).sum(axis=0)
        if counts.sum() >= _LEAST_PAIRS:
            odds += piece @ _shift_odds(counts)
    at = np.clip(swings + bins // 2, 0, bins - 1)
    gained: Reals = odds[np.arange(_PHASES), at].sum(axis=2) - odds[:, bins // 2].sum()
    return gained


def _pairs(held_hz: NDArray[np.float32], lag: int, step: float, reach: float) -> Reals:
    """Count the ratios between every two partials of cells `lag` apart, shape (cells - lag, bins).

    The bins are `step` wide, on both sides of no change, up to `reach` (natural logarithms).
    """
    bins, rows = 2 * round(reach / step) + 1, max(0, len(held_hz) - lag)
    logs = np.log(np.where(held_hz > 0, held_hz, np.nan))
    change = (logs[lag:, np.newaxis, :] - logs[:rows, :, np.newaxis]).reshape(rows, -1)
    place = np.rint(change / step) + bins // 2
    inside = (place >= 0) & (place < bins)
    flat = np.nonzero(inside)[0] * bins + place[inside].astype(np.intp)
    return np.bincount(flat, minlength=rows * bins).reshape(rows, bins).astype(np.float64)


def _shift_odds(counts: Reals) -> Reals:
    """How likely each ratio is when the pitch moved by each shift, logarithms (ratios, shifts).

    A tone that is held gives no change most often, and the rarer a change is the larger it is; where
    the counts say otherwise, as they do when the pitch swings, they are put into that order.
    """
    bins = counts.size
    smooth = np.convolve(np.pad(counts, 1, mode="edge"), np.ones(3), "valid")
    even = smooth + smooth[::-1]
    falling = np.sort(even[bins // 2 :])[::-1]
    even = np.concatenate((falling[:0:-1], falling))
    likely = (1 - _CHANCE) * even / even.sum() + _CHANCE / bins
    distance = np.arange(bins)[:, np.newaxis] - np.arange(bins) + bins // 2
    result: Reals = np.log(likely)[np.clip(distance, 0, bins - 1)]
    return result
