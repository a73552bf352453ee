"""Gaps: stretches inside a programme where nothing stands above the groove noise."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

from sidekeep.dsp.gathering import let_go
from sidekeep.dsp.islands import Island
from sidekeep.dsp.likeness import Cells, Likeness, compare
from sidekeep.dsp.presence import Presence
from sidekeep.dsp.slots import Slots

CLEAR_DB = 40.0
"""Excess over the groove noise in the last or first quarter second of an edge beyond doubt."""

FAR_S, NEAR_S = 30.0, 10.0
"""How much music on either side of a gap is compared: as much as the first, but not across another
gap once there is as much as the second."""

MOST = 40
"""Of more gaps, as there are in speech, only so many longest ones can be cuts."""

Stretch = tuple[int, int]


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
    slots: Slots,
    cells: Cells,
    presence: Presence,
    islands: tuple[Island, ...],
    shortest_s: float,
) -> tuple[Gap, ...]:
    """Find the gaps between the islands of a play.

    Args:
        slots: the recording's slots.
        cells: the same in cells.
        presence: what stands above the groove noise.
        islands: the programme.
        shortest_s: what is shorter is no gap.
    """
    holes = _holes(slots, islands, shortest_s)
    whole = (islands[0].start, islands[-1].end) if islands else (0, 0)
    gaps = []
    for place, (start, end) in enumerate(holes):
        before = (_reached(slots, start, holes[:place][::-1], whole[0]), start)
        after = (end, _reached(slots, end, holes[place + 1 :], whole[1]))
        likeness = compare(slots, cells, presence, before, after)
        let_go(cells.level)
        let_go(cells.tone_hz)
        gaps.append(Gap(start, end, _cut(start, end, likeness), likeness))
    return tuple(gaps)


def _holes(slots: Slots, islands: tuple[Island, ...], shortest_s: float) -> list[Stretch]:
    """The holes between islands; of two with less than half a second between, the longer."""
    holes: list[Stretch] = []
    for before, after in itertools.pairwise(islands):
        hole = (before.end, after.start)
        if (hole[1] - hole[0]) * slots.seconds < shortest_s:
            continue
        if holes and holes[-1][1] == before.start and before.slots < slots.count(0.5):
            hole = max(holes.pop(), hole, key=lambda one: one[1] - one[0])
        holes.append(hole)
    longest = sorted(holes, key=lambda one: one[0] - one[1])[:MOST]
    return sorted(longest)


def _reached(slots: Slots, edge: int, others: list[Stretch], limit: int) -> int:
    """How far the passage from an edge of a gap goes, past `others` in order of nearness."""
    far, near = slots.count(FAR_S), slots.count(NEAR_S)
    backwards = limit < edge
    end = max(limit, edge - far) if backwards else min(limit, edge + far)
    for other in others:
        side = other[1] if backwards else other[0]
        if abs(side - edge) >= near:
            return max(end, side) if backwards else min(end, side)
    return end


def _cut(first: int, last: int, likeness: Likeness) -> int:
    """Where to cut: the farther from an edge, the more softly the sound ends or begins there.

    A sinking end or a slow entry goes on under the noise where it can no longer be seen.
    """
    before, after = (max(CLEAR_DB - db, 4.0) for db in (likeness.before_db, likeness.after_db))
    return first + round((last - first) * before / (before + after))
