"""The folders at run time: one root on one file system, so that every move is a rename."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from sidekeep.errors import MachineFault
from sidekeep.storage.durable import write_atomically
from sidekeep.storage.faults import faults

MARKER = ".sidekeep"
_MARKER_TEXT = (
    b"Sidekeep works with this folder only while this file is here: without it a disk or share that\n"
    b"is not mounted would look like an empty folder. Leave it where it is.\n"
)
_STORES = ("inbox", "work", "held", "quarantine", "archive")


@dataclass(frozen=True, slots=True)
class Root:
    """The root folder and the names of all that lies below it."""

    path: Path

    @property
    def inbox(self) -> Path:
        """Where recordings are dropped."""
        return self.path / "inbox"

    @property
    def work(self) -> Path:
        """Claimed jobs, one folder each."""
        return self.path / "work"

    @property
    def held(self) -> Path:
        """Jobs that wait for a person."""
        return self.path / "held"

    @property
    def quarantine(self) -> Path:
        """Recordings that cannot be processed."""
        return self.path / "quarantine"

    @property
    def archive(self) -> Path:
        """What is kept: masters, music, jobs."""
        return self.path / "archive"

    @property
    def masters(self) -> Path:
        """The recordings, bit for bit."""
        return self.archive / "masters"

    @property
    def music(self) -> Path:
        """The tracks."""
        return self.archive / "music"

    @property
    def jobs(self) -> Path:
        """One folder for every filed job; a job's folder here is its commit mark."""
        return self.archive / "jobs"

    @property
    def incoming(self) -> Path:
        """Stages of jobs that are not yet published, one folder each."""
        return self.archive / ".incoming"

    @property
    def state(self) -> Path:
        """Lock and ledger."""
        return self.path / "state"

    def prepare(self) -> None:
        """Make all folders on first use, later only check them.

        The root's own parent must exist, so that a mount that is missing is not filled by mistake.

        Raises:
            MachineFault: a folder cannot be made, or one that was there is missing.
        """
        with faults("making", self.path):
            first = not (self.path.is_dir() and (self.state / MARKER).exists())
            if first:
                for folder in (self.path, *self._stores(), self.state):
                    folder.mkdir(exist_ok=True)
                for folder in self._stores():
                    write_atomically(folder / MARKER, _MARKER_TEXT)
                write_atomically(self.state / MARKER, _MARKER_TEXT)
        self.check()
        with faults("making", self.archive):
            for folder in (self.masters, self.music, self.jobs, self.incoming):
                folder.mkdir(exist_ok=True)

    def check(self) -> None:
        """Check that every folder is the one that was made, on one file system; change nothing.

        Raises:
            MachineFault: a folder is missing, empty for want of its mount, or on another disk.
        """
        devices = {}
        for folder in self._stores():
            with faults("looking into", folder):
                if not (folder / MARKER).exists():
                    raise _not_there(folder)
                devices[folder] = os.lstat(folder).st_dev
        if len(set(devices.values())) > 1:
            odd = [path.name for path, device in devices.items() if device != devices[self.archive]]
            raise MachineFault(
                f"{', '.join(odd)} below {self.path} lie on another file system than the archive, "
                "so files cannot be moved there in one step. Nothing is done until that is changed.",
                "Put all folders on one file system, under one mount.",
            )

    def _stores(self) -> tuple[Path, ...]:
        return tuple(self.path / name for name in _STORES)


def _not_there(folder: Path) -> MachineFault:
    return MachineFault(
        f"{folder} is not the folder that was set up here: its marker {MARKER} is missing. Most "
        "likely a disk or share is not mounted. Nothing is touched until it is back.",
        "Mount the disk or share. Only if the folder is really meant to start empty, make an empty "
        f"file named {MARKER} in it.",
    )
