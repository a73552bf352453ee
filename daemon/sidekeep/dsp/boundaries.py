"""Which gaps are cuts: the cheapest way through gaps, silences and written lengths."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

PASSED = 3
"""Ways kept per place while the cheapest is looked for; the second tells how sure the first is."""

SEGUE_COST = 3.0
"""Cost of a boundary without a gap, in logarithms of odds."""


@dataclass(frozen=True)
class Place:
    """Where a track may end and the next begin: seconds of the last sound, the cut, the next sound.

    `odds` is the logarithm of the odds that another track begins there.
    """

    before_s: float
    cut_s: float
    after_s: float
    odds: float


@dataclass(frozen=True)
class Way:
    """A choice of cuts: seconds, and for each the index of its place or None for a segue."""

    cost: float
    cuts_s: tuple[float, ...]
    places: tuple[int | None, ...]


def find_ways(
    start_s: float,
    end_s: float,
    places: Sequence[Place],
    lengths_s: Sequence[float | None],
    *,
    tolerance: float,
    speeds: Sequence[float] = (1.0,),
) -> tuple[Way, ...]:
    """Find the cheapest ways to lay so many tracks over a programme, best first.

    A written length may run from cut to cut or from first to last sound. Tracks that follow each
    other without a gap are laid by their lengths between the nearest gaps.

    Args:
        start_s: first sound of the programme.
        end_s: last sound of the programme.
        places: gaps in order of time.
        lengths_s: the tracks as written; None where no length is written.
        tolerance: how far a length may be off, as a share of it.
        speeds: factors of all lengths to try, for a record that ran fast or slow.
    """
    ends = (
        Place(start_s, start_s, start_s, 0.0),
        *places,
        Place(end_s, end_s, end_s, 0.0),
    )
    found: list[Way] = []
    for speed in speeds:
        scaled = [None if length is None else length * speed for length in lengths_s]
        off = abs(math.log(speed)) * 20
        found += [Way(w.cost + off, w.cuts_s, w.places) for w in _laid(ends, scaled, tolerance)]
    best: dict[tuple[int | None, ...], Way] = {}
    for way in sorted(found, key=lambda one: one.cost):
        best.setdefault(way.places, way)
    return tuple(best.values())[:PASSED]


def _laid(ends: Sequence[Place], lengths_s: Sequence[float | None], tolerance: float) -> list[Way]:
    tracks, last = len(lengths_s), len(ends) - 1
    skip = list(itertools.accumulate((softplus(place.odds) for place in ends), initial=0.0))
    table: dict[tuple[int, int], list[Way]] = {(0, 0): [Way(0.0, (), ())]}
    for at in range(1, last + 1):
        for done in range(1, tracks + 1):
            ways: list[Way] = []
            for origin in range(at):
                for before in range(done):
                    if (origin, before) not in table or (at == last) != (done == tracks):
                        continue
                    cost = _cost(ends[origin], ends[at], lengths_s[before:done], tolerance)
                    if cost is None:
                        continue
                    cost += skip[at] - skip[origin + 1]
                    inner_s = _inner(ends[origin], ends[at], lengths_s[before:done])
                    own = () if at == last else (ends[at].cut_s,)
                    marks = (None,) * len(inner_s) + (() if at == last else (at - 1,))
                    if at != last:
                        cost += softplus(-ends[at].odds)
                    ways += [
                        Way(w.cost + cost, (*w.cuts_s, *inner_s, *own), (*w.places, *marks))
                        for w in table[origin, before]
                    ]
            if ways:
                table[at, done] = sorted(ways, key=lambda one: one.cost)[:PASSED]
    return table.get((last, tracks), [])


def _cost(
    first: Place, last: Place, lengths_s: Sequence[float | None], tolerance: float
) -> float | None:
    """Cost of laying tracks between two places; None when they do not fit."""
    spans_s = (last.cut_s - first.cut_s, last.before_s - first.after_s)
    if len(lengths_s) == 1:
        length_s = lengths_s[0]
        if length_s is None:
            return 0.0
        off = min(abs(span_s - length_s) for span_s in spans_s) / max(tolerance * length_s, 1.0)
        return None if off > 1 else 4 * off**2
    known_s = [length_s for length_s in lengths_s if length_s is not None]
    if len(known_s) < len(lengths_s):
        return None
    total_s = sum(known_s)
    off = min(abs(span_s - total_s) for span_s in spans_s) / max(
        1.6 * len(known_s), min(tolerance, 0.02) * total_s
    )
    return None if off > 1 else SEGUE_COST * (len(known_s) - 1) + 4 * off**2


def _inner(first: Place, last: Place, lengths_s: Sequence[float | None]) -> tuple[float, ...]:
    """Cuts of segues between two places, in proportion to the lengths."""
    if len(lengths_s) == 1:
        return ()
    known_s = [length_s or 0.0 for length_s in lengths_s]
    span_s = last.before_s - first.after_s
    running = itertools.accumulate(known_s[:-1])
    return tuple(first.after_s + at_s * span_s / sum(known_s) for at_s in running)


def softplus(x: float) -> float:
    """log(1 + e^x): the cost of passing over a place with these odds."""
    return max(x, 0.0) + math.log1p(math.exp(-abs(x)))
