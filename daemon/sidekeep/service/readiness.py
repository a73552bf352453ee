"""Whether a recording is complete: it stands still, nobody writes, and its header agrees.

No sign counts alone. A copy may pause, a size may be set before the content is there, a recorder may
close and open its file, a header may be written last.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from sidekeep.errors import NotAudio
from sidekeep.service.inbox import Seen, Stamp
from sidekeep.storage.containers.header import State
from sidekeep.storage.header import read_header

UNFINISHED_S = (
    600.0  # how long an unfinished header may stand still before its recorder has crashed
)

_OURS = frozenset({"wav", "w64", "aiff", "caf", "flac"})

OpenForWriting = Callable[[Path], bool | None]
Finished = Callable[[Path], bool | None]


class Standing(StrEnum):
    """How far a file in the inbox has come, in words for a person."""

    READY = "complete"
    CHANGING = "still changing"
    OPEN = "still open in another program"
    UNFINISHED = "its header says that it is not finished"
    ABANDONED = "its recorder never finished it"
    UNREADABLE = "cannot be opened; the service may have no right to read it"
    GATHERING = "waiting for the rest of its folder"
    PAUSED = "waiting to be tried again"


@dataclass(frozen=True, slots=True)
class Settle:
    """How long a file must stand still: where all signs can be read, and where one cannot."""

    seen_s: float
    unseen_s: float


class Gate:
    """Judges files that stand still; remembers what a header said until the file changes."""

    def __init__(
        self, inbox: Path, settle: Settle, open_for_writing: OpenForWriting, finished: Finished
    ) -> None:
        self._inbox = inbox
        self._settle = settle
        self._open_for_writing = open_for_writing
        self._finished = finished
        self._headers: dict[Stamp, bool | None] = {}

    def judge(self, seen: Seen, quiet_s: float) -> Standing:
        """Say how far a recording has come that has stood still for `quiet_s` seconds.

        Raises:
            OSError: it cannot be opened.
        """
        if quiet_s < self._settle.seen_s:
            return Standing.CHANGING
        path = self._inbox / seen.path
        writing = self._open_for_writing(path)
        if writing:
            return Standing.OPEN
        finished = self._header_finished(seen.stamp, path)
        if finished is False:
            return Standing.ABANDONED if quiet_s >= UNFINISHED_S else Standing.UNFINISHED
        unsure = writing is None or finished is None
        if unsure and quiet_s < self._settle.unseen_s:
            return Standing.CHANGING
        return Standing.READY

    def settled(self, quiet_s: float) -> bool:
        """Say whether a sheet or picture has stood still long enough to be read."""
        return quiet_s >= self._settle.seen_s

    def keep_only(self, stamps: set[Stamp]) -> None:
        """Forget the headers of files that are gone or have changed."""
        self._headers = {stamp: told for stamp, told in self._headers.items() if stamp in stamps}

    def _header_finished(self, stamp: Stamp, path: Path) -> bool | None:
        if stamp not in self._headers:
            self._headers[stamp] = self._finished(path)
        return self._headers[stamp]


def header_finished(path: Path) -> bool | None:
    """Say what a file's own header tells: finished, not finished, or nothing (None).

    A header that begins as one of ours and cannot be read may be only half there, so it counts as not
    finished; what is no recording at all tells nothing.

    Raises:
        OSError: the file cannot be read.
    """
    try:
        header = read_header(path)
    except NotAudio:
        return None
    if header.state is State.UNKNOWN:
        return False if header.container in _OURS else None
    return header.state is State.FINISHED
