"""Putting files together by the place in the day that the recorder wrote into each (bext, EBU Tech 3285).

A recorder that begins a new file at a size limit stamps it with the count of frames since midnight. A
file that begins on the very frame at which another ends goes on from it: two recordings that were
started by hand never meet to the frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from sidekeep.errors import SidekeepError
from sidekeep.service.inbox import Seen, Stamp
from sidekeep.storage.header import read_header
from sidekeep.storage.recorder_tags import read_recorder_tags

_SUFFIXES = (".wav", ".wave", ".bwf", ".rf64", ".w64")
Parts = tuple[Seen, ...]


@dataclass(frozen=True, slots=True)
class Place:
    """Where a file lies in its day: its first frame, and the frame after its last as it stands."""

    start: int
    end: int
    rate_hz: int


class Timelines:
    """Reads places, once per state of a file, and joins what goes on from each other."""

    def __init__(self, inbox: Path) -> None:
        self._inbox = inbox
        self._places: dict[Stamp, Place | None] = {}

    def joined(self, groups: Sequence[Parts]) -> list[Parts]:
        """Join groups of files whose places in the day meet to the frame; order is kept."""
        self._forget({seen.stamp for parts in groups for seen in parts})
        begins: dict[tuple[str, int, int], Parts] = {}
        for parts in groups:
            place = self._place(parts[0])
            if place is not None and place.start > 0:
                begins[parts[0].folder, place.rate_hz, place.start] = parts
        followers: dict[Parts, Parts] = {}
        for parts in groups:
            place = self._place(parts[-1])
            following = begins.get((parts[-1].folder, place.rate_hz, place.end)) if place else None
            if following is not None and following is not parts:
                followers[parts] = following
        taken = set(followers.values())
        return [self._chain(parts, followers) for parts in groups if parts not in taken]

    def _chain(self, parts: Parts, followers: dict[Parts, Parts]) -> Parts:
        chain = parts
        while (following := followers.get(parts)) is not None:
            chain, parts = (*chain, *following), following
        return chain

    def _place(self, seen: Seen) -> Place | None:
        if seen.stamp not in self._places:
            self._places[seen.stamp] = self._read(seen)
        return self._places[seen.stamp]

    def _read(self, seen: Seen) -> Place | None:
        if not seen.name.lower().endswith(_SUFFIXES):
            return None
        path = self._inbox / seen.path
        try:
            start = int(read_recorder_tags(path).fields.get("time_reference", ""))
            header = read_header(path)
        except (OSError, SidekeepError, ValueError):
            return None
        return Place(start, start + header.frames, header.rate_hz)

    def _forget(self, stamps: set[Stamp]) -> None:
        self._places = {stamp: place for stamp, place in self._places.items() if stamp in stamps}
