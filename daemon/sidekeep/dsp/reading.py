"""What the sound alone says about the cuts: all ways to choose them, weighed against each other.

Every gap brings its odds, every track its cost: the tracks of a side are more or less of a length, and
seldom very short. The sum over all ways, forwards and backwards through the gaps, tells how likely
each gap is a cut, with any number of tracks or with a given one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.boundaries import Place

USUAL_TRACK_S, SHORT = 30.0, 0.12
"""Tracks are seldom shorter than the first; each second less costs the second, in logarithms of odds
(common experience, no source)."""

TYPICAL_S = np.geomspace(25, 1500, 14)
"""What the tracks of a side may typically last; each is tried."""

SPREAD, STRANGE, ORDINARY = 0.4, 2.0, 0.5
"""Spread of the logarithms of lengths on one side; what a track of quite another length costs at
most; and what one costs on average, which is taken off again (common experience, no source)."""

MOST_TRACKS = 40
CERTAIN = 30.0

Table = NDArray[np.float64]


@dataclass(frozen=True)
class Reading:
    """One reading of a side.

    `cuts` are the places of the likeliest way, by index. `odds` says for each place, over all ways
    with as many tracks (or any number), the logarithm of the odds that it is a cut. `weight` is the
    logarithm of the sum over those ways.
    """

    cuts: tuple[int, ...]
    odds: tuple[float, ...]
    weight: float


class Readings:
    """All readings of a side by its number of tracks.

    Args:
        start_s: first sound of the programme.
        end_s: last sound of the programme.
        places: gaps in order of time.
    """

    def __init__(self, start_s: float, end_s: float, places: Sequence[Place]) -> None:
        self._most = min(len(places) + 1, MOST_TRACKS)
        cuts_s = np.array([start_s, *(place.cut_s for place in places), end_s])
        self._steps = _steps(cuts_s, np.array([place.odds for place in places]))
        self._forward, self._backward = self._sums()
        self._weights = np.logaddexp.reduce(self._forward[:, :, -1], axis=1)

    def of_any(self) -> Reading:
        """The reading with whatever number of tracks is likeliest."""
        every = range(1, self._most + 1)
        cuts = max((self._best(tracks) for tracks in every), key=lambda best: best[0])[1]
        return self._reading(cuts, every)

    def of(self, tracks: int) -> Reading | None:
        """The reading with so many tracks; None when there are too few gaps."""
        if not 1 <= tracks <= self._most:
            return None
        return self._reading(self._best(tracks)[1], (tracks,))

    def likeliest(self, *, more_than: int = 0, fewer_than: int = MOST_TRACKS + 1) -> Reading | None:
        """The reading of the likeliest number of tracks in a range; None when there is none."""
        inside = range(max(1, more_than + 1), min(self._most, fewer_than - 1) + 1)
        return self.of(max(inside, key=lambda count: float(self._weights[count]), default=0))

    def _reading(self, cuts: tuple[int, ...], counts: Sequence[int]) -> Reading:
        weight = float(np.logaddexp.reduce(self._weights[list(counts)]))
        through = np.full(self._steps.shape[-1], -np.inf)
        for count in counts:
            for done in range(1, count):
                both = self._forward[done] + self._backward[count - done]
                through = np.logaddexp(through, np.logaddexp.reduce(both, axis=0))
        share = np.minimum(through[1:-1] - weight, -1e-13)
        odds = np.maximum(share - np.log(-np.expm1(share)), -CERTAIN)
        return Reading(cuts, tuple(map(float, odds)), weight)

    def _sums(self) -> tuple[Table, Table]:
        """Weights of all ways with so many tracks from the start to a place, and on to the end.

        Returns:
            Two tables, shape (tracks + 1, typical lengths, places + 2).
        """
        typical, _, ends = self._steps.shape
        forward, backward = np.full((2, self._most + 1, typical, ends), -np.inf)
        forward[0, :, 0] = backward[0, :, -1] = 0.0
        for done in range(1, self._most + 1):
            before, after = forward[done - 1], backward[done - 1]
            forward[done] = np.logaddexp.reduce(before[:, :, np.newaxis] + self._steps, axis=1)
            backward[done] = np.logaddexp.reduce(self._steps + after[:, np.newaxis, :], axis=2)
        return forward, backward

    def _best(self, tracks: int) -> tuple[float, tuple[int, ...]]:
        """The likeliest way with so many tracks: its weight and the indices of its places."""
        best, origins = self._steps[:, 0], []
        for _ in range(1, tracks):
            through = best[:, :, np.newaxis] + self._steps
            origins.append(through.argmax(axis=1))
            best = through.max(axis=1)
        typical = int(best[:, -1].argmax())
        at, cuts = self._steps.shape[-1] - 1, []
        for origin in reversed(origins):
            at = int(origin[typical, at])
            cuts.append(at - 1)
        return float(best[typical, -1]), tuple(reversed(cuts))


def _steps(cuts_s: Table, odds: Table) -> Table:
    """What a track from one place to a later one brings, shape (typical lengths, places, places).

    The first place is the start of the programme, the last its end. A step pays for the gaps that it
    passes, for the gap where it ends, and for the track's length.
    """
    gaps_passed = np.concatenate(([0.0], np.cumsum(np.logaddexp(0, odds))))
    # Between places i and j lie the gaps i + 1 to j - 1.
    passed = np.concatenate(([0.0], gaps_passed)) - np.append(gaps_passed, 0.0)[:, np.newaxis]
    taken = np.concatenate(([0.0], -np.logaddexp(0, -odds), [0.0]))
    lengths_s = np.maximum(cuts_s - cuts_s[:, np.newaxis], 1e-3)
    off = np.log(lengths_s / TYPICAL_S[:, np.newaxis, np.newaxis]) / SPREAD
    cost = np.minimum(off**2 / 2, STRANGE) - ORDINARY
    cost += SHORT * np.maximum(USUAL_TRACK_S - lengths_s, 0)
    later = np.triu(np.ones_like(lengths_s), 1) > 0
    steps: Table = np.where(later, taken - passed - cost, -np.inf)
    return steps
