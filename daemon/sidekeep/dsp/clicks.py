"""Clicks among hard edges: where the treble stands alone, and which clicks return every turn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.special
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, maximum_filter1d, uniform_filter1d

MARGIN_TICKS = 40  # what lies further off has no say in whether a tick is a click
_NEAR_TICKS = 10  # the treble around a click is read from so many ticks on either side
_WIDTH_TICKS = 3  # a click is over within so many ticks
_TURNS = 10  # a scratch is looked for over so many turns
_JITTER_TICKS = 2
_MOST_MISSED = 3  # turns in a row without a tick end a scratch
_CHANCE = 1e-5  # expected number of chains that chance makes on the whole side
_MOST_CLICKS = 15_000


@dataclass(frozen=True)
class Chain:
    """Clicks that return once per revolution: their ticks in order, and the distance."""

    ticks: tuple[int, ...]
    turn_ticks: float


def contrast_db(treble_db: NDArray[np.float32]) -> NDArray[np.float32]:
    """How far each tick stands above the ticks before *and* after it, shape (ticks,).

    A drum is loud after its attack, a click is not; so the louder of the two sides counts.
    """
    near = uniform_filter1d(treble_db, _NEAR_TICKS, mode="nearest")
    shift = _NEAR_TICKS // 2 + _WIDTH_TICKS
    contrast: NDArray[np.float32] = treble_db - np.maximum(
        np.roll(near, shift), np.roll(near, -shift)
    )
    contrast[:shift] = contrast[-shift:] = 0.0
    return contrast


def click_ticks(
    treble_db: NDArray[np.float32], *, stand_out_db: float, level_db: float
) -> NDArray[np.int64]:
    """Find clicks.

    Args:
        treble_db: treble edges on ticks, shape (ticks,).
        stand_out_db: how far a click rises above its neighbourhood.
        level_db: the least level of its edge.

    Returns:
        Ticks in order.
    """
    if treble_db.size < MARGIN_TICKS:
        return np.zeros(0, np.int64)
    contrast = contrast_db(treble_db)
    alone = contrast == maximum_filter1d(contrast, 2 * _WIDTH_TICKS + 1)
    ticks = np.flatnonzero(alone & (contrast >= stand_out_db) & (treble_db >= level_db))
    return ticks[np.diff(ticks, prepend=-_NEAR_TICKS) > _WIDTH_TICKS]


def periodic_chain(
    ticks: NDArray[np.int64], *, total_ticks: int, turn_ticks: float, tolerance: float
) -> Chain | None:
    """Find the clicks that come back once per revolution, or None when chance explains them.

    Args:
        ticks: click positions in order.
        total_ticks: length of what was searched.
        turn_ticks: one revolution.
        tolerance: how far, as a part, the turntable may be off its speed.
    """
    if ticks.size < _TURNS // 2 or ticks.size > _MOST_CLICKS:
        return None
    marks = np.zeros(total_ticks + int((_TURNS + 1) * turn_ticks * (1 + tolerance)) + 8, np.bool_)
    marks[ticks] = True
    marks = binary_dilation(marks, iterations=_JITTER_TICKS)
    turns = np.arange(turn_ticks * (1 - tolerance), turn_ticks * (1 + tolerance), 0.5)
    steps = np.arange(1, _TURNS)
    best, best_hits, best_turn = 0, 0, turn_ticks
    for turn in turns:
        hits = marks[ticks[:, np.newaxis] + np.rint(steps * turn).astype(np.int64)].sum(axis=1)
        if hits.max() > best_hits:
            best, best_hits, best_turn = int(ticks[hits.argmax()]), int(hits.max()), float(turn)
    by_chance = scipy.special.bdtrc(best_hits - 1, steps.size, float(marks.mean()))
    if best_hits < 0.7 * steps.size or by_chance * ticks.size * turns.size > _CHANCE:
        return None
    chain, missed = [best], 0
    while missed < _MOST_MISSED:
        place = chain[-1] + (missed + 1) * best_turn
        nearest = int(ticks[np.abs(ticks - place).argmin()])
        if abs(nearest - place) <= 2 * _JITTER_TICKS:
            chain.append(nearest)
            missed = 0
        else:
            missed += 1
    return Chain(tuple(chain), best_turn)
