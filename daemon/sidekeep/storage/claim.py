"""Claiming: a recording leaves the inbox and becomes a job, in one rename for each file.

Folders are opened one below the other by descriptor and no link is followed, so nothing outside the
inbox can be reached through it. What was looked at and what was moved must be the same file; if not,
it is put back.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from sidekeep.errors import Refused, SidekeepError
from sidekeep.naming import numbered
from sidekeep.storage.durable import (
    fsync_folder,
    read_at_most,
    remove_tree,
    rename_noreplace,
    write_atomically,
)
from sidekeep.storage.faults import faults
from sidekeep.storage.folders import Root
from sidekeep.storage.jobnames import make_job_folder
from sidekeep.storage.lease import is_open_for_writing
from sidekeep.storage.order import ORDER_NAME, Order, read_order, write_order

RECORDING, SHEET, COVER = "recording", "sheet", "cover"

_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_FILE = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
_LARGEST_COMPANION = 32 << 20  # a sheet or picture beyond this is not copied


class Stamp(Protocol):
    """What changes when a file is written or replaced."""

    @property
    def device(self) -> int:
        """The file system's number."""

    @property
    def inode(self) -> int:
        """The file's number on it."""

    @property
    def size(self) -> int:
        """Length in bytes."""

    @property
    def mtime_ns(self) -> int:
        """Time of the last change."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """A file to claim: its path relative to the inbox, and how it looked when it was found ready."""

    path: str
    stamp: Stamp


class NotClaimed(Refused):
    """The file is not what it was when it was found ready, or may not be taken; it stays."""


def claim(
    root: Root,
    parts: Sequence[Wanted],
    *,
    date: str,
    sheet: str | None = None,
    cover: str | None = None,
    rules: str | None = None,
    side: str | None = None,
) -> Order:
    """Move the files of one recording into a new job's folder.

    Sheet and cover are copied, since other sides may need them too.

    Args:
        root: the folders.
        parts: the recording's files in order, all of one inbox folder.
        date: today as YYYYMMDD; the job's name begins with it.
        sheet: inbox-relative path of the sheet.
        cover: inbox-relative path of the picture.
        rules: the rule set a person chose.
        side: the side a person named.

    Raises:
        NotClaimed: a file changed, is held open by a writer, or is a link or no regular file.
        MachineFault: the machine failed; the files are in the inbox or in the job's folder.
    """
    origin = parts[0].path
    with faults("claiming", root.inbox / origin):
        job = make_job_folder(root, date, origin)
        try:
            home = root.work / job
            (home / RECORDING).mkdir()
            order = Order(
                job=job,
                origin=origin,
                folder=origin.rpartition("/")[0],
                parts=tuple(f"{RECORDING}/{_name(part.path)}" for part in parts),
                sheet=_copied(root, sheet, home, SHEET),
                cover=_copied(root, cover, home, COVER),
                rules=rules,
                side=side,
            )
            write_order(home, order)
            fsync_folder(root.work)  # first the way to the new folder, then what moves there
            with (
                _opened_below(root.inbox, order.folder) as inbox,
                _opened_below(home, RECORDING) as target,
            ):
                for part in parts:
                    _take(part, inbox, target)
                os.fsync(target)
        except (SidekeepError, OSError):
            _put_back(root, job, origin.rpartition("/")[0])
            raise
    return order


def recover_claims(root: Root) -> list[str]:
    """Undo claims that were broken off; give the names of the jobs that are whole.

    Raises:
        MachineFault: the machine failed.
    """
    whole = []
    with faults("looking into", root.work):
        jobs = sorted(entry.name for entry in os.scandir(root.work) if entry.is_dir())
        for job in jobs:
            home = root.work / job
            if not (home / ORDER_NAME).exists():
                _remove_if_empty(home)
                continue
            order = read_order(home)
            if all((home / part).exists() for part in order.parts):
                whole.append(job)
            else:
                _put_back(root, job, order.folder)
    return whole


def _take(part: Wanted, inbox: int, target: int) -> None:
    """Move one file, making sure before and after that it is the one that was found ready."""
    name = _name(part.path)
    try:
        _check(part, name, inbox)
        rename_noreplace(name, name, source_folder=inbox, target_folder=target)
    except FileNotFoundError as error:
        raise NotClaimed(f"{part.path} is no longer in the inbox.") from error
    try:
        _check(part, name, target)
    except NotClaimed:
        _return(name, target, inbox)
        raise


def _check(part: Wanted, name: str, folder: int) -> None:
    try:
        descriptor = os.open(name, _FILE, dir_fd=folder)
    except FileNotFoundError:
        raise
    except OSError as error:
        raise NotClaimed(f"{part.path} cannot be taken: {error.strerror}.") from error
    try:
        status = os.fstat(descriptor)
        reason = _reason_against(status, os.fstat(folder).st_dev, part.stamp)
    finally:
        os.close(descriptor)
    if not reason and is_open_for_writing(name, folder=folder):
        reason = "another program has it open for writing"
    if reason:
        raise NotClaimed(f"{part.path} is left in the inbox: {reason}.")


def _reason_against(status: os.stat_result, device: int, stamp: Stamp) -> str:
    if not stat.S_ISREG(status.st_mode):
        return "it is not a regular file"
    if status.st_nlink != 1:
        return "it is a hard link, so the same file has another name"
    if status.st_dev != device:
        return "it lies on another file system than its folder"
    seen = (status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns)
    if seen != (stamp.device, stamp.inode, stamp.size, stamp.mtime_ns):
        return "it changed while it was being claimed"
    return ""


def _put_back(root: Root, job: str, folder: str) -> None:
    """Return what was moved of a recording to the inbox, and remove the job's folder.

    Where the inbox folder has become a link meanwhile, the files go to the inbox itself.
    """
    home = root.work / job
    if (home / RECORDING).is_dir():
        with _opened_below(home, RECORDING) as source:
            try:
                _return_all(source, root.inbox, folder)
            except NotClaimed:
                _return_all(source, root.inbox, "")
    _remove_if_empty(home)


def _return_all(source: int, inbox: Path, folder: str) -> None:
    names = _names_in(source)
    if names:
        with _opened_below(inbox, folder, make=True) as target:
            for name in names:
                _return(name, source, target)


def _return(name: str, source: int, inbox: int) -> None:
    number = 1
    while True:
        try:
            rename_noreplace(
                name, numbered(name, number), source_folder=source, target_folder=inbox
            )
        except FileExistsError:
            number += 1
        else:
            return


def _remove_if_empty(home: Path) -> None:
    """Remove a job's folder that holds no recording."""
    with contextlib.suppress(FileNotFoundError, OSError):
        os.rmdir(home / RECORDING)  # noqa: PTH106  (refuses while anything is in it)
    if not (home / RECORDING).exists():
        remove_tree(home)


def _copied(root: Root, path: str | None, home: Path, kind: str) -> str | None:
    """Copy a sheet or picture into the job's folder; None when there is none to be had."""
    if path is None:
        return None
    folder, _, name = path.rpartition("/")
    gone = (FileNotFoundError, NotClaimed)
    with contextlib.suppress(*gone), _opened_below(root.inbox, folder) as inbox:
        with os.fdopen(os.open(name, _FILE, dir_fd=inbox), "rb") as file:
            if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
                return None
            data = read_at_most(file, _LARGEST_COMPANION)
        if len(data) <= _LARGEST_COMPANION:
            (home / kind).mkdir()
            write_atomically(home / kind / name, data)
            return f"{kind}/{name}"
    return None


def _names_in(folder: int) -> list[str]:
    with os.scandir(folder) as entries:
        return [entry.name for entry in entries]


def _name(path: str) -> str:
    return path.rpartition("/")[2]


@contextlib.contextmanager
def _opened_below(base: Path, relative: str, *, make: bool = False) -> Iterator[int]:
    """Open a folder below `base`, one component at a time, following no link.

    Raises:
        NotClaimed: a component is a link, no folder, or (unless they are to be made) missing.
    """
    descriptor = os.open(base, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        for component in filter(None, relative.split("/")):
            if component in {".", ".."}:
                raise NotClaimed(f"{relative} is not a path inside the inbox.")
            if make:
                with contextlib.suppress(FileExistsError):
                    os.mkdir(component, dir_fd=descriptor)
            inner = _opened(component, relative, descriptor)
            os.close(descriptor)
            descriptor = inner
        yield descriptor
    finally:
        os.close(descriptor)


def _opened(component: str, relative: str, parent: int) -> int:
    try:
        return os.open(component, _FOLDER, dir_fd=parent)
    except OSError as error:
        if error.errno in (errno.ELOOP, errno.ENOTDIR, errno.ENOENT):
            raise NotClaimed(f"{relative} is not a folder of the inbox itself.") from error
        raise
