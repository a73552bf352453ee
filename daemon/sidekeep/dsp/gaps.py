"""Gaps: stretches inside a programme where nothing stands above the groove noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.programme import Presence
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
    slots: Slots, presence: Presence, start: int, end: int, shortest_s: float
) -> tuple[Gap, ...]:
    """Find the gaps between two slots of a play.

    Args:
        slots: the recording's slots.
        presence: what stands above the groove noise.
        start: first slot of the programme.
        end: slot after its last.
        shortest_s: what is shorter is no gap.
    """
    sounding = presence.present & ~presence.low
    silent = ~sounding[start - presence.start : end - presence.start]
    edges = np.flatnonzero(np.diff(np.concatenate(([0], silent.view(np.int8), [0])))).reshape(-1, 2)
    edges = edges + start
    pieces: list[tuple[int, int]] = []
    for first, last in _bridged(edges, presence, slots):
        if (last - first) * slots.seconds >= shortest_s and first > start and last < end:
            pieces.append((first, last))
    return tuple(_gap(slots, presence, first, last) for first, last in pieces)


def _bridged(edges: NDArray[np.intp], presence: Presence, slots: Slots) -> list[tuple[int, int]]:
    """Join stretches that only a weak, short sound separates (a pop, a bump)."""
    joined: list[tuple[int, int]] = []
    for first, last in edges:
        if joined:
            between = slice(joined[-1][1] - presence.start, first - presence.start)
            short = first - joined[-1][1] <= slots.count(0.25)
            if short and presence.excess_db[between].max() < 8:
                joined[-1] = (joined[-1][0], int(last))
                continue
        joined.append((int(first), int(last)))
    return joined


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
