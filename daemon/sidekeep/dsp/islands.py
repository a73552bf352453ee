"""Islands of programme between groove noise, without what the stylus itself did."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np

from sidekeep.dsp.follow import Follower
from sidekeep.dsp.groove import Play
from sidekeep.dsp.presence import Presence, stretches
from sidekeep.dsp.slots import Slots

TURNS_S = (1.8, 1.333, 0.767)
"""Seconds per revolution at 33 1/3, 45 and 78 per minute."""

HANDLING_S = 1.0
"""How long a drop or a lift may be heard."""

RHYTHM_DB = 5.0
"""Least excess of a sound that is taken as one beat of several."""


@dataclass(frozen=True)
class Island:
    """Programme between two stretches of groove noise, in slots.

    `excess_db` is how far its strongest band stands out; `low` says that only bands below 200 Hz do.
    """

    start: int
    end: int
    excess_db: float
    low: bool

    @property
    def slots(self) -> int:
        """Length in slots."""
        return self.end - self.start


def find_islands(presence: Presence, slots: Slots, play: Play) -> tuple[Island, ...]:
    """Gather programme into islands and leave out what the stylus did: drop, lift, thumps, ticks.

    Args:
        presence: what stands above the groove noise.
        slots: the recording's slots.
        play: the stretch with the stylus down.
    """
    bridge = slots.count(0.25)
    islands: list[Island] = []
    for a, b in stretches(presence.present):
        excess_db = float(presence.excess_db[a:b].max())
        low = _is_low(presence, a, b, slots)
        island = Island(play.start + int(a), play.start + int(b), excess_db, low)
        if islands and island.start - islands[-1].end < bridge:
            island = _joined(islands.pop(), island, slots)
        islands.append(island)
    if not play.groove:
        return tuple(islands)
    islands = _with_rhythm(_without_handling(islands, slots, play), slots, play)
    kept = _without_ticks(_belonging(islands, _pops_db(islands, slots, play), slots), slots)
    return _stretched(kept, presence, play, slots)


def _pops_db(islands: list[Island], slots: Slots, play: Play) -> float:
    """How strong the pops are that stand in groove noise, far from programme."""
    large = [island for island in islands if is_large(island, slots)]
    alone_db = [
        island.excess_db
        for island in islands
        if island.slots <= slots.count(0.4)
        and any(run.start <= island.start < run.end for run in play.groove)
        and _away(island, large) > slots.count(1.5)
    ]
    return max(alone_db, default=0.0)


def _stretched(
    kept: tuple[Island, ...], presence: Presence, play: Play, slots: Slots
) -> tuple[Island, ...]:
    """The islands with the weak sounds that lead into them and die away after them.

    Between two islands at least a fifth of the hole, in its middle, stays; so does the handling at a
    drop and a lift.

    Args:
        kept: islands of programme.
        presence: what stands above the groove noise, weakly too.
        play: the stretch with the stylus down.
        slots: the recording's slots.
    """
    lead, tail = slots.count(0.3), slots.count(0.8)
    handling = slots.count(HANDLING_S)
    first = play.start + (handling if play.dropped else 0)
    last = play.end - (handling if play.lifted else 0)
    follower = Follower(presence, slots)
    weak = np.flatnonzero(presence.weak) + play.start
    stretched: list[Island] = []
    for place, island in enumerate(kept):
        start, end = island.start, island.end
        floor, roof = min(first, start), max(last, end)
        if stretched:
            floor = stretched[-1].end + (start - stretched[-1].end) * 3 // 5
        if place + 1 < len(kept):
            roof = end + (kept[place + 1].start - end) * 2 // 5
        while (before := weak[(weak < start) & (weak >= max(floor, start - lead))]).size:
            start = int(before[0])
        while (after := weak[(weak >= end) & (weak < min(roof, end + tail))]).size:
            end = int(after[-1]) + 1
        start = min(start, follower.follow(start, floor))
        end = max(end, follower.follow(end, roof))
        stretched.append(replace(island, start=start, end=end))
    return tuple(stretched)


def is_large(island: Island, slots: Slots) -> bool:
    """Whether an island is programme by its own size."""
    return not island.low and (
        island.slots >= slots.count(3.0)
        or (island.slots >= slots.count(1.0) and island.excess_db > 6)
    )


def _joined(first: Island, last: Island, slots: Slots) -> Island:
    longer = first if first.slots >= last.slots else last
    low = longer.low and last.end - first.start <= slots.count(1.0)
    return Island(first.start, last.end, max(first.excess_db, last.excess_db), low)


def _is_low(presence: Presence, start: int, end: int, slots: Slots) -> bool:
    """Whether a short sound is a thump: mostly below 200 Hz only, or far stronger there."""
    if end - start > slots.count(1.0):
        return False
    mostly = presence.low[start:end].mean() > 0.6
    surplus_db = presence.low_db[start:end].max() - presence.high_db[start:end].max()
    return bool(mostly or surplus_db > 12)


def _with_rhythm(islands: list[Island], slots: Slots, play: Play) -> list[Island]:
    """Join strong short sounds that follow each other within 1.2 s: a drum alone, plucked notes.

    Ticks of a run-out come once per revolution: slower, or a single slot each at 78 per minute.
    """
    joined: list[Island] = []
    chain: list[Island] = []
    for island in islands:
        beat = island.excess_db > RHYTHM_DB and not is_large(island, slots)
        if chain and not (beat and island.start - chain[-1].end <= slots.count(1.2)):
            joined += _beats(chain, slots, play)
            chain = []
        if beat:
            chain.append(island)
        else:
            joined.append(island)
    return joined + _beats(chain, slots, play)


def _beats(chain: list[Island], slots: Slots, play: Play) -> list[Island]:
    """One island for four beats or more, the beats themselves for fewer, for ticks and for pops.

    Between pops the stretch is groove noise by its level and tonality; under a drum it is not.
    """
    if len(chain) < 4:
        return chain
    start, end = chain[0].start, chain[-1].end
    noise = sum(max(0, min(end, run.end) - max(start, run.start)) for run in play.groove)
    ticks = all(one.slots == 1 for one in chain) and _turns(chain, slots, TURNS_S[2:])
    if ticks or noise > (end - start) / 2:
        return chain
    return [Island(start, end, max(6.1, *(one.excess_db for one in chain)), low=False)]


def _belonging(islands: list[Island], pops_db: float, slots: Slots) -> list[Island]:
    """The large islands and, going out from them, the small ones that are notes near by."""
    kept = [island for island in islands if is_large(island, slots)]
    rest = [island for island in islands if island not in kept]
    while near := [island for island in rest if _belongs(island, kept, pops_db, slots)]:
        kept += near
        rest = [island for island in rest if island not in near]
    return sorted(kept, key=lambda island: island.start)


def _belongs(island: Island, kept: list[Island], pops_db: float, slots: Slots) -> bool:
    away = _away(island, kept)
    if island.low:
        return island.slots >= slots.count(0.6) and away < slots.count(2.5)
    if island.slots >= slots.count(0.5):
        return away < slots.count(4.0)
    strong = island.excess_db > pops_db + 4
    if island.slots >= 2 and island.excess_db > 15 and strong:
        return away < slots.count(4.0)
    return away < slots.count(1.2) and (
        (island.excess_db > 8 and strong) or island.slots > slots.count(0.4)
    )


def _away(island: Island, kept: list[Island]) -> int:
    return min(
        (max(one.start - island.end, island.start - one.end, 0) for one in kept), default=1 << 30
    )


def _without_handling(islands: list[Island], slots: Slots, play: Play) -> list[Island]:
    """Leave out the thump of a drop or a lift: short, at the edge, apart from the programme."""
    near = slots.count(0.7)
    kept = []
    for place, island in enumerate(islands):
        after = islands[place + 1].start if place + 1 < len(islands) else play.end
        before = islands[place - 1].end if place else play.start
        short = island.slots <= slots.count(0.8)
        at_drop = play.dropped and island.start - play.start <= near and after - island.end >= 2
        at_lift = play.lifted and play.end - island.end <= near and island.start - before >= 2
        if not (short and (at_drop or at_lift)):
            kept.append(island)
    return kept


def _without_ticks(islands: list[Island], slots: Slots) -> tuple[Island, ...]:
    """Leave out small islands after the programme that come once per revolution."""
    last = max((one.end for one in islands if is_large(one, slots)), default=0)
    tail = [one for one in islands if one.start >= last]
    short = max((one.slots for one in tail), default=0) <= slots.count(0.5)
    if len(tail) >= 3 and short and _turns(tail, slots, TURNS_S):
        return tuple(one for one in islands if one not in tail)
    return tuple(islands)


def _turns(islands: list[Island], slots: Slots, turns_s: tuple[float, ...]) -> bool:
    """Whether islands follow each other by whole revolutions of one of the speeds."""
    centres_s = [(one.start + one.end) / 2 * slots.seconds for one in islands]
    steps_s = np.array([b - a for a, b in itertools.pairwise(centres_s)])
    for turn_s in turns_s:
        turns = np.rint(steps_s / turn_s)
        if np.all(turns >= 1) and np.all(np.abs(steps_s - turns * turn_s) < 0.2):
            return True
    return False
