"""Standing still: how long each file in the inbox has looked the same.

Only our own looks on the monotonic clock count. A file's own time stamp may come from another
machine, from years ago or from the future; it matters only that it does not change.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from sidekeep.service.inbox import Seen, Stamp

FEWEST_LOOKS = 3  # a file must look the same at least this often, however far apart the looks are


@dataclass(frozen=True, slots=True)
class Still:
    """A stamp, when it was first seen (monotonic), and how many looks have found it unchanged."""

    stamp: Stamp
    since_s: float
    looks: int = 1


Stillness = Mapping[str, Still]


def observe(before: Stillness, files: Iterable[Seen], now_s: float) -> dict[str, Still]:
    """Return the new state after a look at `now_s`; files that are gone are forgotten."""
    after: dict[str, Still] = {}
    for seen in files:
        known = before.get(seen.path)
        if known is None or known.stamp != seen.stamp or now_s < known.since_s:
            after[seen.path] = Still(seen.stamp, now_s)
        else:
            after[seen.path] = Still(known.stamp, known.since_s, known.looks + 1)
    return after


def quiet_s(still: Still, now_s: float) -> float:
    """How long a file has stood still, in seconds; 0 until it was looked at often enough."""
    return now_s - still.since_s if still.looks >= FEWEST_LOOKS else 0.0
