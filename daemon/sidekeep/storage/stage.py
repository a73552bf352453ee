"""The stage: a job's result, built beside the archive and sealed before anything is published.

A stage mirrors the archive: `music/`, `masters/` (never filled, recordings are moved) and
`jobs/<job>/`. Sealing brings every byte to the disk, reads it back from there, and writes
`publish.json` last; a stage without it counts for nothing.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from sidekeep.errors import MachineFault, Refused
from sidekeep.storage.durable import (
    ARCHIVED,
    fsync_file,
    fsync_folder,
    make_folders,
    remove_tree,
    sha256_from_disk,
    sha256_of,
)
from sidekeep.storage.faults import faults
from sidekeep.storage.folders import Root
from sidekeep.storage.places import Places
from sidekeep.storage.publication import (
    PUBLICATION_NAME,
    MakePage,
    Move,
    Publication,
    filed,
    write_publication,
)
from sidekeep.storage.superseding import Earlier, earlier_result

_AT_ONCE = 2  # files hashed or flushed side by side


@dataclass(frozen=True, slots=True)
class Master:
    """One file of the recording: where it lies now, where it goes, and its hash as it was measured.

    `source` is relative to the root, `path` to `archive/`. Both name the same file when the recording
    is in the archive already.
    """

    source: str
    path: str
    sha256: str


class Stage:
    """The stage of one job.

    Args:
        root: the folders.
        job: the job's name.
        supersedes: the filed job whose place this one will take.
    """

    def __init__(self, root: Root, job: str, supersedes: str | None = None) -> None:
        self.root, self.job = root, job
        self.folder = root.incoming / job
        self.notes = self.folder / "jobs" / job
        self._earlier: Earlier | None = earlier_result(root, supersedes) if supersedes else None
        self._checks: list[Future[None]] = []
        self._places = Places(root.archive, self._earlier.leaving if self._earlier else ())

    def open(self) -> None:
        """Make an empty stage; what an earlier try left is removed.

        Raises:
            Refused: the job is half published already and must be carried forward.
            MachineFault: the folders cannot be made.
        """
        _refuse_if_sealed(self.root, self.job)
        with faults("making", self.folder):
            # The folder itself stays: it is all of the archive that a confined worker may change.
            make_folders(self.folder, self.root.archive)
            for left in self.folder.iterdir():
                remove_tree(left) if left.is_dir() else left.unlink()
            make_folders(self.notes, self.folder)
            make_folders(self.folder / "music", self.folder)

    def places(self, wanted: Iterable[str]) -> tuple[str, ...]:
        """Give the final paths of files, relative to `archive/`, so that nothing is ever replaced."""
        return tuple(self._places.place(path) for path in wanted)

    def path_of(self, path: str) -> Path:
        """Give where in the stage to write the file of that path, its folder made.

        Args:
            path: relative to `archive/`, as `places` gave it.
        """
        target = self.folder / path
        with faults("making", target.parent):
            make_folders(target.parent, self.folder)
        return target

    def check_masters(self, masters: Sequence[Master]) -> None:
        """Begin to read the recording's files back, while something else is done; `seal` has the end."""
        pool = ThreadPoolExecutor(1, thread_name_prefix="read-back")
        self._checks = [pool.submit(self._check_master, master) for master in _moving(masters)]
        pool.shutdown(wait=False)

    def seal(self, masters: Sequence[Master], make_page: MakePage | None = None) -> Publication:
        """Bring everything to the disk, read it back, and record what publishing will do.

        Args:
            masters: the recording's files.
            make_page: makes the job's report from the manifest's hash.

        Raises:
            MachineFault: the disk failed, or what it gave back is not what was written.
        """
        tracks = sorted(self._paths_below("music"))
        notes = sorted(self._paths_below("jobs"))
        staged = [self.folder / path for path in (*tracks, *notes)]
        moving = _moving(masters)
        if not self._checks:
            self.check_masters(masters)
        with ThreadPoolExecutor(_AT_ONCE) as pool:
            hashes = dict(zip(staged, pool.map(_flushed, staged), strict=True))
        for check in self._checks:
            check.result()
        with faults("reading", self.folder):
            filed_tracks = [
                filed(self.folder / path, path, hashes[self.folder / path]) for path in tracks
            ]
            filed_notes = [
                filed(self.folder / path, path, hashes[self.folder / path]) for path in notes
            ]
            filed_masters = {m: filed(self.root.path / m.source, m.path, m.sha256) for m in masters}
        prefix = self.folder.relative_to(self.root.path).as_posix()
        publication = Publication(
            job=self.job,
            moves=(
                *(Move(f"{prefix}/{file.path}", file) for file in filed_tracks),
                *(Move(master.source, filed_masters[master]) for master in moving),
            ),
            kept=tuple(filed_masters[master] for master in masters if master not in moving),
            notes=tuple(filed_notes),
            supersedes=self._earlier.job if self._earlier else None,
            leaving=self._earlier.leaving if self._earlier else (),
        )
        self._flush_folders()
        publication = write_publication(self.root, publication, make_page)
        with faults("writing", self.root.incoming):
            fsync_folder(self.root.incoming)
        return publication

    def _paths_below(self, part: str) -> list[str]:
        return [
            (Path(folder) / name).relative_to(self.folder).as_posix()
            for folder, _, names in os.walk(self.folder / part)
            for name in names
        ]

    def _check_master(self, master: Master) -> None:
        """Bring a file of the recording itself to the disk and compare it with what was measured."""
        path = self.root.path / master.source
        with faults("reading", path):
            # A file that another user put there keeps its mode; it is read-only by place.
            with contextlib.suppress(PermissionError):
                path.chmod(ARCHIVED)
            fsync_file(path)
        _read_back(path, master.sha256)

    def _flush_folders(self) -> None:
        for folder, _, _ in os.walk(self.folder, topdown=False):
            with faults("writing", folder):
                fsync_folder(Path(folder))


def _moving(masters: Sequence[Master]) -> list[Master]:
    """Those that do not lie in the archive already."""
    return [master for master in masters if master.source != f"archive/{master.path}"]


def _flushed(path: Path) -> str:
    """Hash a file as written, flush it, and compare with what the disk gives back."""
    with faults("writing", path):
        written = sha256_of(path)
        path.chmod(ARCHIVED)
        fsync_file(path)
    _read_back(path, written)
    return written


def _read_back(path: Path, expected: str) -> None:
    with faults("reading", path):
        found = sha256_from_disk(path)
    if found != expected:
        raise MachineFault(
            f"{path} reads back from the disk with other content than before "
            f"(SHA-256 {found[:12]}…, expected {expected[:12]}…). The job is done again.",
            "If it happens again, test the memory and the disk of this machine.",
        )


def discard(root: Root, job: str) -> None:
    """Remove the stage of a job that will not be published.

    Raises:
        Refused: publishing has been recorded; it can only be carried forward.
        MachineFault: it cannot be removed.
    """
    _refuse_if_sealed(root, job)
    with faults("removing", root.incoming / job):
        remove_tree(root.incoming / job)


def _refuse_if_sealed(root: Root, job: str) -> None:
    if (root.incoming / job / PUBLICATION_NAME).exists():
        raise Refused(
            f"Job {job} is being published; it is carried to its end when the service starts.",
            "Start the service, or run `sidekeep drain`.",
        )
