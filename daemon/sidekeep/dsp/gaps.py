"""Gaps: stretches inside a programme where nothing stands above the groove noise."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

from sidekeep.dsp.islands import Island
from sidekeep.dsp.likeness import Likeness, compare
from sidekeep.dsp.presence import Presence
from sidekeep.dsp.slots import Slots

HARD_DB = 14.0
"""Excess over the groove noise within a quarter second that makes an entry or an end a hard one."""

USUAL_TRACK_S, SHORT = 30.0, 0.12
"""Tracks are seldom shorter than the first; each second less lowers the odds by the second (fitted
as in `likeness`, then taken at two thirds)."""

CLIMB_DB = 8.0
"""Rise within four seconds from which on an entry is a slow one after all."""


@dataclass(frozen=True)
class Gap:
    """A gap in slots, `start` to `end`, where in it to cut, and what lies on both sides."""

    start: int
    end: int
    cut: int
    likeness: Likeness

    @property
    def slots(self) -> int:
        """Length in slots."""
        return self.end - self.start


def find_gaps(
    slots: Slots, presence: Presence, islands: tuple[Island, ...], shortest_s: float
) -> tuple[Gap, ...]:
    """Find the gaps between the islands of a play.

    Args:
        slots: the recording's slots.
        presence: what stands above the groove noise.
        islands: the programme.
        shortest_s: what is shorter is no gap.
    """
    gaps: list[Gap] = []
    for before, after in itertools.pairwise(islands):
        if (after.start - before.end) * slots.seconds >= shortest_s:
            likeness = compare(slots, presence, islands, before.end, after.start)
            cut = _cut(slots, before.end, after.start, likeness)
            gap = Gap(before.end, after.start, cut, likeness)
            if gaps and gaps[-1].end == before.start and before.slots < slots.count(0.5):
                gap = max(gaps.pop(), gap, key=lambda one: one.slots)
            gaps.append(gap)
    return _with_lengths(gaps, slots, islands)


def _with_lengths(gaps: list[Gap], slots: Slots, islands: tuple[Island, ...]) -> tuple[Gap, ...]:
    """Lower the odds of gaps that would leave a short track."""
    if not gaps:
        return ()
    edges = [islands[0].start, *(gap.cut for gap in gaps), islands[-1].end]
    tracks_s = [(b - a) * slots.seconds for a, b in itertools.pairwise(edges)]
    weighed = []
    for gap, sides_s in zip(gaps, itertools.pairwise(tracks_s), strict=True):
        missing_s = min(max(USUAL_TRACK_S - min(sides_s), 0.0), 20.0)
        odds = gap.likeness.odds - SHORT * missing_s
        weighed.append(replace(gap, likeness=replace(gap.likeness, odds=odds)))
    return tuple(weighed)


def _cut(slots: Slots, first: int, last: int, likeness: Likeness) -> int:
    """Where to cut: just before a hard entry, soon after a hard end, else half way.

    A sinking end or entry goes on under the noise where it can no longer be seen.
    """
    size = last - first
    if likeness.after_db >= HARD_DB and likeness.climb_db < CLIMB_DB:
        return last - min(slots.count(0.4), size // 2)
    if likeness.before_db >= HARD_DB:
        return first + min(slots.count(0.4), size // 2)
    return first + size // 2
