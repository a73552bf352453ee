"""Slips of the platter: the pitch of everything bends and comes back, or stays elsewhere.

Two things tell how the pitch stands. From cell to cell tones that are held move by the same ratio
(`dsp.pitch`); and what is played, shifted back, fits in with the pitches that the music around is
made of (`dsp.repertoire`), however short its notes are. A slip must explain both better than a
standing pitch does, better than other chords do, and better than what fits in nowhere, such as clapping.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.pitch import RATIO_STEP, ratio_odds
from sidekeep.dsp.repertoire import (
    AROUND,
    BLOCK,
    STEP,
    Floats,
    Repertoire,
    fitness,
    repertoire,
    shifted_fitness,
)

Reals = NDArray[np.float64]

_BENDS = np.arange(-0.07, 0.0425, 0.005)  # slower, by a hand or a belt that slips; or faster
_LEAST_BEND = 0.0075
_LENGTHS_S = (1.5, 2.0, 2.5, 3.25)
_SHIFTS = range(-38, 22)
_STRETCH = 80 * BLOCK  # three and a half minutes at a time
_MARGIN = (AROUND + 4) * BLOCK
_ANOTHER = np.float32(3.0)  # odds that a second change of chord costs
_STEPS = range(-17, 18)
_STAYS = 3 * BLOCK  # so long at the least
_LEAST_STEP = 4  # bins; instruments are out of tune with each other by less
_STEP_GAIN = 0.15  # how much better, per partial, both sides must fit in when one is shifted
_STEP_FIT = 0.12  # and how well they must fit in then, beyond any pitch nearby


@dataclass(frozen=True)
class Bends:
    """For every cell, the likeliest bend of pitch that begins in its middle; arrays (cells,).

    `odds` is how much likelier it is than that the pitch stands, `over_else` than the best of what
    else could be (natural logarithms); `change` the part by which the pitch changes at the most, up
    positive; `length_s` how long it lasts.
    """

    odds: Reals
    over_else: Reals
    change: Reals
    length_s: Reals


@dataclass(frozen=True)
class Step:
    """A change of pitch that stays: in the middle of which cell, and by which part, up positive.

    `gain` is how much better a partial fits in with the other side of it (natural logarithm).
    """

    cell: int
    change: float
    gain: float


def bends(held_hz: Floats, cell_s: float) -> Bends:
    """Look for bends of pitch: a platter that is held and let go slows all music down and up again.

    Args:
        held_hz: partials per cell, shape (cells, tones), 0 where there is none.
        cell_s: time from cell to cell; each lasts twice as long.
    """
    cells = len(held_hz)
    best = Bends(*(np.full(cells, value) for value in (-np.inf, -np.inf, 0.0, 0.0)))
    longest = round(max(_LENGTHS_S) / cell_s) + 1
    for start in range(0, cells, _STRETCH):
        end = min(cells, start + _STRETCH)
        first, last = max(0, start - _MARGIN), min(cells, end + _MARGIN)
        some = held_hz[first:last]
        seen = repertoire(some)
        fit = shifted_fitness(some, fitness(seen.before + seen.after), _SHIFTS)
        wanted = slice(start - first, min(end + longest, last) - first)
        odds = _Odds(fit[wanted], ratio_odds(held_hz, start, min(end + longest, last)))
        for length_s in _LENGTHS_S:
            odds.search(best, start, end, round(length_s / cell_s), length_s)
    return best


class _Odds:
    """The odds of every shift of pitch in a stretch, (shifts, cells), and of what else could be."""

    def __init__(self, fit: Floats, ratios: Floats) -> None:
        still = fit[:, _SHIFTS.index(0)]
        self._ratios, self._fit = (np.ascontiguousarray(one.T) for one in (ratios, fit))
        self._fit -= still
        self._chance = _running(-still[np.newaxis])[0]
        self._chord = _running(self._fit)

    def search(self, best: Bends, start: int, end: int, cells: int, length_s: float) -> None:
        """Put in what is likelier than the best so far, for bends over so many cells."""
        count = min(end - start, self._fit.shape[1] - cells)
        if count <= 0:
            return
        otherwise = self._otherwise(count, cells)
        middle, still = len(self._ratios) // 2, _SHIFTS.index(0)
        rise = (1 - np.cos(2 * np.pi * np.arange(cells + 1) / cells)) / 2
        for change in _BENDS[np.abs(_BENDS) > _LEAST_BEND].tolist():
            pitch = np.log1p(change * rise)
            shifts = np.rint(pitch / STEP).astype(int) + still
            ratios = np.rint(np.diff(pitch) / RATIO_STEP).astype(int) + middle
            ratios = np.clip(ratios, 0, len(self._ratios) - 1)
            odds = np.zeros(count, np.float32)
            for row, ratio in enumerate(ratios.tolist()):
                odds += self._ratios[ratio, row : row + count]
                if shifts[row] != still:
                    odds += self._fit[shifts[row], row : row + count]
            better = np.flatnonzero(odds > best.odds[start : start + count])
            best.odds[start + better] = odds[better]
            best.over_else[start + better] = (odds - otherwise)[better]
            best.change[start + better], best.length_s[start + better] = change, length_s

    def _otherwise(self, count: int, cells: int) -> Floats:
        """The odds of other chords, one or two one after the other, or of what has no pitch."""
        half = cells // 2
        at = [self._chord[:, row : row + count] for row in (1, half, cells)]
        first, second = (at[1] - at[0]).max(axis=0), (at[2] - at[1]).max(axis=0)
        chords = np.maximum((at[2] - at[0]).max(axis=0), first + second - _ANOTHER)
        chance = self._chance[cells : cells + count] - self._chance[1 : 1 + count]
        larger: Floats = np.maximum(chords, chance)
        return larger


def _running(values: Floats) -> Floats:
    """Sums up to each cell, shape (rows, cells + 1)."""
    sums: Floats = np.cumsum(np.pad(values, ((0, 0), (1, 0))), axis=1, dtype=np.float32)
    return sums


def steps(held_hz: Floats) -> tuple[Step, ...]:
    """Look for changes of pitch that stay.

    Args:
        held_hz: partials per cell, shape (cells, tones), 0 where there is none.
    """
    found: list[Step] = []
    cells = len(held_hz)
    for start in range(0, cells, _STRETCH):
        end = min(cells, start + _STRETCH)
        first, last = max(0, start - _MARGIN), min(cells, end + _MARGIN)
        some = held_hz[first:last]
        seen = repertoire(some)
        before, after = fitness(seen.before), fitness(seen.after)
        fit = _fit_shifted(seen, before, after)
        for block, shift in _peaks(fit):
            cell = first + _place(some, before, after, block, shift)
            if start <= cell < end and _STAYS <= cell <= cells - _STAYS:
                gain = float(fit[block, shift] - fit[block, _STEPS.index(0)])
                found.append(Step(cell, _change(fit[block], shift), gain))
    return tuple(found)


def _fit_shifted(seen: Repertoire, before: Floats, after: Floats) -> Floats:
    """How well a partial fits in with the other side when what follows is shifted, (blocks, shifts)."""
    fits = []
    bins = before.shape[1]
    many = [np.maximum(one.sum(axis=1), 1) for one in (seen.before, seen.after)]
    for shift in _STEPS:
        low = slice(max(0, -shift), bins - max(0, shift))
        high = slice(max(0, shift), bins - max(0, -shift))
        ahead = np.einsum("bi,bi->b", before[:, low], seen.after[:, high])
        back = np.einsum("bi,bi->b", after[:, high], seen.before[:, low])
        fits.append(ahead / many[1] + back / many[0])
    return np.stack(fits, axis=1)


def _peaks(fit: Floats) -> list[tuple[int, int]]:
    """Blocks at which another pitch begins, and the shift's index; the surest of neighbours only."""
    shifts = np.abs(np.asarray(_STEPS))
    best = np.where(shifts >= _LEAST_STEP // 2, fit, -np.inf).argmax(axis=1)
    reached = fit[np.arange(len(fit)), best]
    gain = reached - fit[:, _STEPS.index(0)]
    inside = (shifts[best] >= _LEAST_STEP) & (shifts[best] < shifts.max())
    gain[(reached < _STEP_FIT) | ~inside] = -np.inf
    found = []
    while gain.size and gain.max() >= _STEP_GAIN:
        block = int(gain.argmax())
        found.append((block, int(best[block])))
        gain[max(0, block - AROUND) : block + AROUND + 1] = -np.inf
    return found


def _change(fit: Floats, shift: int) -> float:
    """The change of pitch at the top of the parabola through a peak and its neighbours."""
    below, top, above = fit[shift - 1 : shift + 2].tolist()
    beside = (below - above) / (2 * (below - 2 * top + above))
    return float(np.expm1((_STEPS[shift] + beside) * STEP))


def _place(held_hz: Floats, before: Floats, after: Floats, block: int, shift: int) -> int:
    """The cell from which on the partials fit in with what follows."""
    first = max(0, block - 2) * BLOCK
    near = held_hz[first : (block + 3) * BLOCK]
    rows = -(-len(near) // BLOCK)
    odds = np.zeros(len(near), np.float32)
    for fit, sign in ((before, 1), (after, -1)):
        moved = shifted_fitness(near, np.repeat(fit[[block]], rows, axis=0), _STEPS)
        shifted = moved[:, _STEPS.index(sign * _STEPS[shift])]
        odds += sign * (shifted - moved[:, _STEPS.index(0)])
    return first + int(np.cumsum(np.pad(odds, (1, 0)))[:-1].argmin())
