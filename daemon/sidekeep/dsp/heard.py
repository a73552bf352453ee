"""A side as it was heard: its programme, and the gaps in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sidekeep.dsp.boundaries import Place
from sidekeep.dsp.gaps import Gap, find_gaps
from sidekeep.dsp.groove import Play, Run
from sidekeep.dsp.islands import Island, find_islands
from sidekeep.dsp.likeness import Cells
from sidekeep.dsp.presence import Presence, find_presence
from sidekeep.dsp.reading import Readings
from sidekeep.dsp.slots import Slots
from sidekeep.model import Side


@dataclass(frozen=True)
class Heard:
    """A side as it was heard."""

    slots: Slots
    presence: Presence
    islands: tuple[Island, ...]
    gaps: tuple[Gap, ...]

    def seconds(self, slot: int) -> float:
        """Seconds from the start of the recording to a slot."""
        return slot * self.slots.seconds

    def clock(self, slot: int) -> str:
        """The same in minutes and seconds."""
        return clock(self.seconds(slot))

    def edges(self, cuts: tuple[int, ...]) -> tuple[int, ...]:
        """The slots at which tracks begin and end when a side is cut at `cuts`."""
        return (self.islands[0].start, *cuts, self.islands[-1].end)

    def places(self, *, by_sound: bool = True) -> tuple[Place, ...]:
        """The gaps as places for cuts; all equally likely when the sound has no say."""
        return tuple(
            Place(
                self.seconds(gap.start),
                self.seconds(gap.cut),
                self.seconds(gap.end),
                gap.likeness.odds if by_sound else 0.0,
            )
            for gap in self.gaps
        )

    def readings(self, *, by_sound: bool = True) -> Readings:
        """What the gaps say about the cuts."""
        first, last = map(self.seconds, self.edges(()))
        return Readings(first, last, self.places(by_sound=by_sound))


def hear(side: Side, slots: Slots, cells: Cells, shortest_gap_s: float) -> Heard:
    """Find the programme of a side again, and the gaps in it.

    Args:
        side: what trim found.
        slots: the recording's slots.
        cells: the same in cells.
        shortest_gap_s: what is shorter is no gap.
    """
    start, end = side.needle_down.start // slots.frames, side.needle_down.end // slots.frames
    runs = [(span.start // slots.frames, span.end // slots.frames) for span in side.groove]
    groove = tuple(Run(a, b, np.median(slots.level_db[a:b], axis=0)) for a, b in runs)
    play = Play(start, min(end, len(slots.level_db)), groove, dropped=True, lifted=True)
    presence = find_presence(slots, play)
    islands = find_islands(presence, slots, play)
    shortest_s = shortest_gap_s - 2 * slots.seconds
    return Heard(slots, presence, islands, find_gaps(slots, cells, presence, islands, shortest_s))


def clock(seconds: float) -> str:
    """Minutes and seconds, to a tenth."""
    return f"{int(seconds) // 60}:{seconds % 60:04.1f}"
