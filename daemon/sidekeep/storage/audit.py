"""The audit: does the archive still hold what was filed?

Every file is read from the disk and compared with its manifest. What differs though size and time of
change are as filed has rotted; where they differ somebody edited it.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from enum import StrEnum

from sidekeep.errors import Damaged
from sidekeep.storage.durable import sha256_from_disk
from sidekeep.storage.faults import faults
from sidekeep.storage.folders import Root
from sidekeep.storage.manifest import FACTS_NAME, MANIFEST_NAME, Filed, read_facts, read_lines
from sidekeep.storage.publication import PAGE_NAME
from sidekeep.storage.strays import stray_files


class Condition(StrEnum):
    """How a file was found."""

    OK = "ok"
    MISSING = "missing"
    ROTTEN = "rotten"
    EDITED = "edited"
    MOVED = "moved"
    UNREADABLE = "unreadable"
    UNLISTED = "unlisted"


@dataclass(frozen=True, slots=True)
class Checked:
    """One file of the archive: its job (empty for unlisted ones), path, condition, and what is known."""

    job: str
    path: str
    condition: Condition
    detail: str = ""


def filed_jobs(root: Root) -> list[str]:
    """Give the names of all filed jobs.

    Raises:
        MachineFault: the archive cannot be read.
    """
    with faults("looking into", root.jobs), os.scandir(root.jobs) as entries:
        return sorted(entry.name for entry in entries if entry.is_dir(follow_symlinks=False))


def audit(root: Root, jobs: Collection[str] | None = None) -> Iterator[Checked]:
    """Check jobs, giving every file as it is read; with None all of them, and unlisted files as well.

    Raises:
        MachineFault: the archive as a whole cannot be read.
    """
    root.check()
    listed: set[str] = set()
    missing: list[tuple[str, Filed]] = []
    for job in filed_jobs(root) if jobs is None else jobs:
        listing = _listing(root, job)
        yield from listing.faulty
        listed.update(file.path for file in listing.files)
        listed.update(f"jobs/{job}/{name}" for name in (FACTS_NAME, MANIFEST_NAME, PAGE_NAME))
        for file in listing.files:
            checked = _check(root, job, file, dated=listing.dated)
            if checked.condition is Condition.MISSING and jobs is None:
                missing.append((job, file))  # perhaps it only moved
            else:
                yield checked
    if jobs is None:
        yield from _missing_and_unlisted(root, listed, missing)


def _missing_and_unlisted(
    root: Root, listed: set[str], missing: list[tuple[str, Filed]]
) -> Iterator[Checked]:
    with faults("looking into", root.archive):
        strays = stray_files(root, listed, {file.bytes for _, file in missing})
    for job, file in missing:
        moved_to = next((path for path, sha256 in strays.items() if sha256 == file.sha256), None)
        if moved_to is None:
            yield Checked(job, file.path, Condition.MISSING)
        else:
            del strays[moved_to]
            yield Checked(job, file.path, Condition.MOVED, f"now {moved_to}")
    for path in strays:
        yield Checked("", path, Condition.UNLISTED)


# --- one job -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Listing:
    """What a job filed; `dated` when size and time are known too; what is wrong with the lists."""

    files: tuple[Filed, ...]
    dated: bool
    faulty: tuple[Checked, ...] = ()


def _listing(root: Root, job: str) -> _Listing:
    """Give what was filed: by the facts where they are sound, else by the manifest alone."""
    facts_path, manifest_path = f"jobs/{job}/{FACTS_NAME}", f"jobs/{job}/{MANIFEST_NAME}"
    try:
        facts = read_facts((root.archive / facts_path).read_bytes())
    except (OSError, Damaged) as error:
        faulty = [_faulty(job, facts_path, error)]
    else:
        return _Listing((*facts.files.values(), facts.manifest), dated=True)
    try:
        lines = read_lines((root.archive / manifest_path).read_bytes())
    except (OSError, Damaged) as error:
        return _Listing((), dated=False, faulty=(*faulty, _faulty(job, manifest_path, error)))
    files = tuple(Filed(path, 0, 0, sha256) for path, sha256 in lines.items())
    return _Listing(files, dated=False, faulty=tuple(faulty))


def _faulty(job: str, path: str, error: OSError | Damaged) -> Checked:
    if isinstance(error, FileNotFoundError):
        return Checked(job, path, Condition.MISSING)
    if isinstance(error, Damaged):
        return Checked(job, path, Condition.ROTTEN, error.message)
    return Checked(job, path, Condition.UNREADABLE, error.strerror or str(error))


def _check(root: Root, job: str, file: Filed, *, dated: bool) -> Checked:
    """Read one file from the disk and compare it."""
    path = root.archive / file.path
    try:
        status = path.lstat()
        found = sha256_from_disk(path)
    except (FileNotFoundError, NotADirectoryError):
        return Checked(job, file.path, Condition.MISSING)
    except OSError as error:
        return Checked(job, file.path, Condition.UNREADABLE, error.strerror or str(error))
    if found == file.sha256:
        return Checked(job, file.path, Condition.OK)
    if not dated:
        return Checked(job, file.path, Condition.ROTTEN, "the content changed, when is not known")
    if status.st_mtime_ns == file.mtime_ns:
        return Checked(job, file.path, Condition.ROTTEN, "the content changed, its date did not")
    detail = "the content and its date changed"
    if status.st_size != file.bytes:
        detail = f"{status.st_size:,} bytes instead of {file.bytes:,}"
    return Checked(job, file.path, Condition.EDITED, detail)
