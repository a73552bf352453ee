"""Gaps: stretches inside a programme where nothing stands above the groove noise."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

from sidekeep.dsp.islands import Island
from sidekeep.dsp.presence import Presence
from sidekeep.dsp.slots import Slots


@dataclass(frozen=True)
class Gap:
    """A gap in slots, `start` to `end`, and where in it to cut.

    `fall_db_per_s` and `rise_db_per_s` say how fast the music leaves and comes: steep or sinking.
    """

    start: int
    end: int
    cut: int
    fall_db_per_s: float
    rise_db_per_s: float

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
            gap = _gap(slots, presence, before.end, after.start)
            if gaps and before.slots < slots.count(0.5):
                gap = max(gaps.pop(), gap, key=lambda one: one.slots)
            gaps.append(gap)
    return tuple(gaps)


def _gap(slots: Slots, presence: Presence, first: int, last: int) -> Gap:
    near = slots.count(0.45)
    excess = presence.excess_db
    before = excess[max(0, first - presence.start - near) : first - presence.start]
    after = excess[last - presence.start : last - presence.start + near]
    fall = float(before.max(initial=0)) / (len(before) * slots.seconds or 1)
    rise = float(after.max(initial=0)) / (len(after) * slots.seconds or 1)
    return Gap(first, last, _cut(slots, first, last, fall, rise), fall, rise)


def _cut(slots: Slots, first: int, last: int, fall: float, rise: float) -> int:
    """Where to cut: just before a hard entry, well after the end of a sinking one, else half way."""
    size = last - first
    hard = 30.0
    if rise >= hard:
        return last - min(slots.count(0.4), size // 2)
    if fall >= hard:
        return first + min(slots.count(0.6), size // 2)
    return first + size // 2
