"""Taking the place of a job that was filed before.

The earlier job's tracks leave once the new job is recorded as complete, and its folder moves into the
new job's, under `earlier/`, so that one rename commits the new and retires the old. Its masters stay.
A track that a person has changed since is theirs: it stays, and the new one takes a number.
"""

from __future__ import annotations

from dataclasses import dataclass

from sidekeep.errors import Damaged, Refused
from sidekeep.storage.faults import faults
from sidekeep.storage.folders import Root
from sidekeep.storage.manifest import FACTS_NAME, Facts, Filed, read_facts

EARLIER = "earlier"


@dataclass(frozen=True, slots=True)
class Earlier:
    """A filed job about to be superseded: its masters, and the tracks that will leave."""

    job: str
    masters: tuple[Filed, ...]
    leaving: tuple[str, ...]


def facts_of(root: Root, job: str) -> Facts:
    """Read the facts of a filed job.

    Raises:
        Refused: there is no such job, or its facts are damaged.
        MachineFault: the disk failed.
    """
    path = root.jobs / job / FACTS_NAME
    if not path.exists():
        raise Refused(f"There is no filed job {job} ({path} is missing).", "See `sidekeep jobs`.")
    with faults("reading", path):
        data = path.read_bytes()
    try:
        return read_facts(data)
    except Damaged as error:
        raise Refused(
            f"{path}: {error.message}", "Run `sidekeep audit` on this job first."
        ) from error


def earlier_result(root: Root, job: str) -> Earlier:
    """Find out what leaves when a filed job is superseded.

    Raises:
        Refused: there is no such job.
        MachineFault: the disk failed.
    """
    files = facts_of(root, job).files.values()
    return Earlier(
        job,
        tuple(file for file in files if file.path.startswith("masters/")),
        tuple(
            file.path for file in files if file.path.startswith("music/") and _untouched(root, file)
        ),
    )


def _untouched(root: Root, file: Filed) -> bool:
    try:
        status = (root.archive / file.path).lstat()
    except FileNotFoundError:
        return False
    return (status.st_size, status.st_mtime_ns) == (file.bytes, file.mtime_ns)
