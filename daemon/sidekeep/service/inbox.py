"""One look at the inbox: what lies there, without following, opening or changing anything.

Folders are opened one below the other by descriptor, so a folder swapped for a link while we look
leads nowhere. Only files whose name concerns us are asked for size and time; ten thousand others
cost no more than reading their names.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from sidekeep.service.names import Kind, is_junk_folder, kind_of
from sidekeep.storage.folders import MARKER

DEEPEST = 16  # levels of sub-folders that are looked at; deeper ones are reported as refused
_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC


@dataclass(frozen=True, slots=True)
class Stamp:
    """What changes when a file is written or replaced."""

    device: int
    inode: int
    size: int
    mtime_ns: int


@dataclass(frozen=True, slots=True)
class Seen:
    """A file in the inbox that concerns us; `path` is relative to the inbox, with `/`."""

    path: str
    kind: Kind
    stamp: Stamp

    @property
    def folder(self) -> str:
        """The inbox-relative folder, empty for the inbox itself."""
        return self.path.rpartition("/")[0]

    @property
    def name(self) -> str:
        """The file's own name."""
        return self.path.rpartition("/")[2]

    @property
    def stem(self) -> str:
        """The file's name without its last suffix."""
        return self.name.rpartition(".")[0]


@dataclass(frozen=True, slots=True)
class Refusal:
    """An entry that is not taken, and why."""

    path: str
    reason: str


@dataclass(slots=True)
class Scan:
    """What one look found.

    `files` are recordings, sheets and covers; `transfers` the folders in which a copying program is
    at work; `ignored` counts files that are none of ours, with one example; `unreadable` lists
    folders that could not be read. `complete` is false when anything could not be read: then
    absence proves nothing.
    """

    files: list[Seen] = field(default_factory=list)
    refused: list[Refusal] = field(default_factory=list)
    transfers: set[str] = field(default_factory=set)
    ignored: int = 0
    ignored_example: str = ""
    unreadable: list[Refusal] = field(default_factory=list)

    @property
    def complete(self) -> bool:
        """Whether everything could be read."""
        return not self.unreadable

    def ignore(self, path: str) -> None:
        """Count a file that is none of ours."""
        self.ignored += 1
        self.ignored_example = self.ignored_example or path


def look(inbox: Path) -> Scan:
    """Look through the inbox once.

    Raises:
        OSError: the inbox itself cannot be read (a share is away, rights are missing).
    """
    scan = Scan()
    with _opened(os.open(inbox, _FOLDER)) as folder:
        _look_into(folder, "", 0, scan)
    scan.files.sort(key=lambda seen: seen.path)
    return scan


def _look_into(folder: int, prefix: str, depth: int, scan: Scan) -> None:
    with os.scandir(folder) as entries:
        for entry in entries:
            path = prefix + entry.name
            try:
                _note(entry, path, folder, depth, scan)
            except FileNotFoundError:
                continue  # gone between the listing and the look: the next scan tells
            except OSError as error:
                scan.unreadable.append(Refusal(path, error.strerror or str(error)))


def _note(entry: os.DirEntry[str], path: str, folder: int, depth: int, scan: Scan) -> None:
    if entry.is_dir(follow_symlinks=False):
        if not is_junk_folder(entry.name):
            _note_folder(entry, path, folder, depth, scan)
        return
    if path == MARKER:
        return
    kind = kind_of(entry.name)
    if kind is Kind.TRANSFER:
        scan.transfers.add(path.rpartition("/")[0])
    if kind in (Kind.TRANSFER, Kind.JUNK, Kind.OTHER):
        scan.ignore(path)
        return
    status = os.stat(entry.name, dir_fd=folder, follow_symlinks=False)
    reason = _refusal(status)
    if reason:
        scan.refused.append(Refusal(path, reason))
        return
    stamp = Stamp(status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns)
    scan.files.append(Seen(path, kind, stamp))


def _note_folder(entry: os.DirEntry[str], path: str, folder: int, depth: int, scan: Scan) -> None:
    if depth + 1 > DEEPEST:
        scan.refused.append(Refusal(path, f"folders nested deeper than {DEEPEST} levels"))
        return
    with _opened(os.open(entry.name, _FOLDER, dir_fd=folder)) as inner:
        _look_into(inner, path + "/", depth + 1, scan)


def _refusal(status: os.stat_result) -> str:
    """Say why a file of this kind is not taken; empty when it is."""
    if stat.S_ISLNK(status.st_mode):
        return "a symbolic link, which is never followed"
    if not stat.S_ISREG(status.st_mode):
        return "not a regular file (a pipe, socket or device)"
    if status.st_nlink > 1:
        return "a hard link: the same file has another name, so it cannot be moved safely"
    return ""


@contextmanager
def _opened(descriptor: int) -> Iterator[int]:
    try:
        yield descriptor
    finally:
        os.close(descriptor)
