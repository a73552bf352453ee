"""Checking a set-up before it matters: each check says what it found and what to do about it."""

from __future__ import annotations

import os
import pwd
import shutil
import stat
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from itertools import pairwise
from pathlib import Path

from sidekeep.errors import MachineFault, SidekeepError, WrittenWrong
from sidekeep.preferences import Preferences
from sidekeep.service.limits import space_needed_bytes
from sidekeep.service.mounts import mount_of
from sidekeep.service.rulebook import check
from sidekeep.storage.durable import rename_noreplace
from sidekeep.storage.folders import Root
from sidekeep.storage.lease import is_open_for_writing

# 30 minutes of 192 kHz, 24 bits, stereo: longer than any side that is cut (common practice).
LARGEST_SIDE_BYTES = 30 * 60 * 192_000 * 6
FEWEST_WATCHES = 1024
EARLIEST_YEAR = 2025  # a clock before this was never set
_WATCHES = Path("/proc/sys/fs/inotify/max_user_watches")
_TRIAL = ".sidekeep-trial"


class Grade(StrEnum):
    """How a check ended."""

    FINE = "fine"
    NOTE = "note"
    BAD = "bad"


@dataclass(frozen=True, slots=True)
class Checked:
    """One check: what was looked at, how it is, in words, and what to do about it."""

    what: str
    grade: Grade
    detail: str
    advice: str = ""


def examine(root: Root, preferences: Preferences) -> Iterator[Checked]:
    """Run the checks one by one, as far as they make sense."""
    if (foreign := _foreign(root)) is not None:
        yield foreign
        return
    yield _folders(root)
    if root.inbox.is_dir():
        yield from _writable(root)
        yield _dropping(root)
        yield _renames(root)
        yield _events(root, preferences)
        yield _watches()
        yield _writers(root)
        yield _space(root, preferences)
    yield _clock()
    yield _rule_sets(preferences)


def _foreign(root: Root) -> Checked | None:
    """Whether root looks at a folder of somebody else's: what it makes there, they could not use."""
    places = [place for place in (root.state, root.path) if place.is_dir()]
    if os.geteuid() != 0 or not places or (user := places[0].stat().st_uid) == 0:
        return None
    try:
        owner = pwd.getpwuid(user).pw_name
    except KeyError:
        owner = str(user)
    return Checked(
        "user",
        Grade.BAD,
        f"{root.path} belongs to {owner}, and folders that root makes in it would be root's",
        f"Run it as the service does: runuser -u {owner} -- sidekeep doctor --root {root.path}",
    )


def _folders(root: Root) -> Checked:
    try:
        root.prepare()
    except SidekeepError as error:
        return Checked("folders", Grade.BAD, error.message, error.advice)
    return Checked("folders", Grade.FINE, f"all there, on one file system, below {root.path}")


def _writable(root: Root) -> Iterator[Checked]:
    for place in (root.inbox, root.work, root.held, root.quarantine, root.archive, root.state):
        trial = place / _TRIAL
        try:
            trial.write_bytes(b"trial")
            trial.unlink()
        except OSError as error:
            user = f"user {os.geteuid()}"
            yield Checked(
                f"rights on {place.name}",
                Grade.BAD,
                f"{place} cannot be written by {user}: {error.strerror}",
                "Give the service's user the right to read and write it.",
            )


def _dropping(root: Root) -> Checked:
    """Whether others may drop recordings, and whether what they drop stays the group's."""
    status = root.inbox.stat()
    mode = stat.filemode(status.st_mode)
    if not status.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
        return Checked(
            "dropping",
            Grade.NOTE,
            f"only user {status.st_uid} may put files into {root.inbox} ({mode})",
            f"If others shall: put them into one group and run: chmod 2770 {root.inbox}",
        )
    if not status.st_mode & stat.S_ISGID:
        return Checked(
            "dropping",
            Grade.NOTE,
            f"others may put files into {root.inbox} ({mode}), but these keep the group of whoever did",
            f"So that the service may read them all, run: chmod g+s {root.inbox}",
        )
    detail = f"group {status.st_gid} may put files into the inbox, and they become the group's"
    return Checked("dropping", Grade.FINE, detail)


def _renames(root: Root) -> Checked:
    """Move a file the way a recording goes: from the inbox through work into the archive."""
    name = "moves"
    steps = (root.inbox, root.work, root.archive)
    try:
        (root.inbox / _TRIAL).write_bytes(b"trial")
        for source, target in pairwise(steps):
            rename_noreplace(source / _TRIAL, target / _TRIAL)
    except OSError as error:
        return Checked(
            name,
            Grade.BAD,
            f"a file cannot be moved in one step between the folders: {error.strerror}",
            "Put all folders below one mount; two bind mounts of one disk are two mounts.",
        )
    finally:
        for place in steps:
            with suppress(OSError):
                (place / _TRIAL).unlink()
    return Checked(name, Grade.FINE, "a file can be moved in one step through all folders")


def _events(root: Root, preferences: Preferences) -> Checked:
    mount = mount_of(root.inbox)
    where = f"{mount.point} is a {mount.kind} file system"
    if preferences.poll == "always" or (preferences.poll == "auto" and not mount.tells_events):
        detail = f"{where}; the inbox is looked at every {preferences.poll_every_s:g} s"
        return Checked("watching", Grade.NOTE, detail)
    return Checked("watching", Grade.FINE, f"{where}, which tells of new files at once")


def _watches() -> Checked:
    try:
        limit = int(_WATCHES.read_text(encoding="ascii"))
    except (OSError, ValueError):
        return Checked("watch limit", Grade.NOTE, "cannot be read here")
    if limit < FEWEST_WATCHES:
        return Checked(
            "watch limit",
            Grade.NOTE,
            f"only {limit} folders can be watched on this machine",
            f"Set fs.inotify.max_user_watches to {FEWEST_WATCHES} or more with sysctl.",
        )
    return Checked("watch limit", Grade.FINE, f"{limit} folders can be watched")


def _writers(root: Root) -> Checked:
    """Find out whether the kernel tells us that somebody writes."""
    trial = root.inbox / _TRIAL
    try:
        trial.write_bytes(b"trial")
        told = is_open_for_writing(trial)
    except OSError as error:
        return Checked("open files", Grade.BAD, f"{trial} cannot be opened: {error.strerror}")
    finally:
        with suppress(OSError):
            trial.unlink()
    if told is None:
        return Checked(
            "open files",
            Grade.NOTE,
            "it cannot be seen here whether a program still writes a file, so recordings must stand "
            "still longer ('settle on shares')",
        )
    return Checked("open files", Grade.FINE, "it can be seen whether a program still writes a file")


def _space(root: Root, preferences: Preferences) -> Checked:
    free = shutil.disk_usage(root.archive).free
    needed = space_needed_bytes(LARGEST_SIDE_BYTES) + int(preferences.free_space_gb * 1e9)
    detail = f"{free / 1e9:.1f} GB free; the largest side needs {needed / 1e9:.1f} GB"
    if free < needed:
        return Checked("disk space", Grade.BAD, detail, "Free some space, or use a larger disk.")
    return Checked("disk space", Grade.FINE, detail)


def _clock() -> Checked:
    now = datetime.now(UTC)
    detail = f"{now:%Y-%m-%d %H:%M} UTC"
    if now.year < EARLIEST_YEAR:
        advice = "Set the clock, or let the machine fetch the time; job names begin with the day."
        return Checked("clock", Grade.BAD, detail, advice)
    return Checked("clock", Grade.FINE, detail)


def _rule_sets(preferences: Preferences) -> Checked:
    missing = [folder for folder in preferences.rules if not Path(folder).is_dir()]
    if missing:
        return Checked(
            "rule sets",
            Grade.BAD,
            f"{missing[0]} is no folder",
            "Make it, or correct 'rules' in the settings.",
        )
    try:
        count = check(os.pathsep.join(preferences.rules))
    except WrittenWrong as error:
        return Checked("rule sets", Grade.BAD, error.message, "Correct them: sidekeep rules")
    except MachineFault as error:
        return Checked("rule sets", Grade.BAD, error.message, error.advice)
    return Checked("rule sets", Grade.FINE, f"{count} rule sets, all in order")
