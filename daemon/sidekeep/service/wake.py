"""What wakes the service: events of the file system where there are any, the timer always.

An event says only "look"; the scan decides. So an event lost, doubled or late changes nothing but
the moment of the next look.
"""

from __future__ import annotations

import errno
import logging
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Protocol

from watchdog.events import (
    DirCreatedEvent,
    DirMovedEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileDeletedEvent,
    FileMovedEvent,
    FileSystemEvent,
    FileSystemEventHandler,
)
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver

from sidekeep.preferences import Preferences
from sidekeep.service.mounts import mount_of

# Not "modified": a recorder writes for half an hour and every block would wake us. Not "opened":
# our own looking would.
_HEARD: list[type[FileSystemEvent]] = [
    DirCreatedEvent,
    DirMovedEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileDeletedEvent,
    FileMovedEvent,
]


@dataclass(frozen=True, slots=True)
class Mode:
    """How the inbox is watched (`events` or `polling`), why, and the longest time between scans."""

    name: str
    why: str
    scan_every_s: float


class Bell:
    """What any thread and any signal handler may ring, and the service waits for.

    A signal may come while another one rings: an event of `threading` would wait for its own lock then.
    """

    def __init__(self) -> None:
        self._rings: SimpleQueue[None] = SimpleQueue()  # its `put` may be interrupted by another

    def ring(self) -> None:
        """Wake the service."""
        if self._rings.empty():
            self._rings.put(None)

    def wait(self, longest_s: float) -> bool:
        """Wait until the bell rings or the time is over; tell whether it rang."""
        try:
            self._rings.get(timeout=max(0.0, longest_s))
        except Empty:
            return False
        while not self._rings.empty():
            self._rings.get_nowait()
        return True


class EventSource(Protocol):
    """Something that rings the bell when the inbox changes."""

    def arm(self, inbox: Path) -> Mode:
        """Start watching the inbox, or watch it anew after it went away and came back."""
        ...

    def disarm(self) -> None:
        """Stop watching."""
        ...


# The library calls it an error when an event comes while it is being stopped; failures that matter are
# raised when watching begins, and a lost event is made good by the timer.
logging.getLogger("watchdog").setLevel(logging.CRITICAL)


class _Ringer(FileSystemEventHandler):
    def __init__(self, bell: Bell) -> None:
        self._bell = bell

    def on_any_event(self, event: FileSystemEvent) -> None:  # noqa: ARG002
        self._bell.ring()


class FileSystemEvents:
    """Events through inotify where the file system tells them; otherwise the timer alone."""

    def __init__(self, bell: Bell, preferences: Preferences) -> None:
        self._bell = bell
        self._preferences = preferences
        self._observer: BaseObserver | None = None

    def arm(self, inbox: Path) -> Mode:
        """Choose by the kind of file system; fall back to the timer when watches run out."""
        self.disarm()
        mount = mount_of(inbox)
        where = f"{mount.point} is a {mount.kind} file system"
        if self._preferences.poll == "always":
            return self._polling("the settings say so")
        if self._preferences.poll == "auto" and not mount.tells_events:
            return self._polling(f"{where}, blind to changes made elsewhere")
        observer = Observer()
        try:
            observer.schedule(_Ringer(self._bell), str(inbox), recursive=True, event_filter=_HEARD)
            observer.start()
        except OSError as error:
            return self._polling(_why_not(error))
        self._observer = observer
        return Mode("events", where, self._preferences.scan_every_s)

    def _polling(self, why: str) -> Mode:
        return Mode("polling", why, self._preferences.poll_every_s)

    def disarm(self) -> None:
        """Stop the watching threads."""
        if self._observer is not None:
            self._observer.stop()
            self._observer.join(timeout=5.0)
            self._observer = None


def _why_not(error: OSError) -> str:
    # inotify(7): ENOSPC is the limit on watches, EMFILE that on instances, not a full disk.
    if error.errno == errno.ENOSPC:
        return "the limit on watched folders is reached (raise fs.inotify.max_user_watches)"
    if error.errno == errno.EMFILE:
        return "the limit on watchers is reached (raise fs.inotify.max_user_instances)"
    return f"events could not be set up: {error.strerror or error}"
