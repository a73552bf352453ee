"""Putting the files of one recording together: a recorder may begin a new file at a size limit.

Two files are taken for parts of one recording only when their names count on and every file but the
last has grown to the same large size. Sides of a record that someone numbered never look like that.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from sidekeep.service.inbox import Seen
from sidekeep.service.names import Kind

# Limits of recorders and file systems lie at 1, 2 and 4 GB (RIFF sizes have 32 bits, signed in older
# programs; FAT32). A part may end a little early, at a whole block of audio.
SMALLEST_FULL_PART = 950_000_000
MOST_DIFFERENCE = 1 << 20

_COUNTED = re.compile(r"^(?P<stem>.*?)(?P<mark>[-_ .(]?)(?P<number>\d{2,6})(?P<rest>\)?\.[^.]+)$")


def recordings_of(files: Iterable[Seen]) -> list[tuple[Seen, ...]]:
    """Group the recordings of a scan into parts, in the order of their paths."""
    groups: list[tuple[Seen, ...]] = []
    for seen in files:
        if seen.kind is not Kind.RECORDING:
            continue
        if groups and _goes_on(groups[-1], seen):
            groups[-1] = (*groups[-1], seen)
        else:
            groups.append((seen,))
    return groups


def _goes_on(parts: tuple[Seen, ...], seen: Seen) -> bool:
    last = parts[-1]
    before, after = _COUNTED.match(last.name), _COUNTED.match(seen.name)
    if before is None or after is None or last.folder != seen.folder:
        return False
    counts_on = int(after["number"]) == int(before["number"]) + 1
    same_name = [before[key] for key in ("stem", "mark", "rest")] == [
        after[key] for key in ("stem", "mark", "rest")
    ]
    full = last.stamp.size >= SMALLEST_FULL_PART
    as_large = abs(last.stamp.size - parts[0].stamp.size) <= MOST_DIFFERENCE
    no_larger = seen.stamp.size <= parts[0].stamp.size + MOST_DIFFERENCE
    return counts_on and same_name and full and as_large and no_larger
