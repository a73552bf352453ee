"""Names of jobs: the day and where the recording came from."""

from __future__ import annotations

import itertools
import re
import unicodedata
from pathlib import Path

from sidekeep.storage.folders import Root

_LONGEST = 60


def make_job_folder(root: Root, date: str, origin: str) -> str:
    """Make `work/<job>` under a name that no job has or had, and give the name.

    Args:
        root: the folders.
        date: the day, as YYYYMMDD.
        origin: inbox-relative path of the recording.

    Raises:
        OSError: the folder cannot be made.
    """
    stem = f"{date}-{slug(origin)}"
    for number in itertools.count(1):
        job = stem if number == 1 else f"{stem}-{number}"
        if any((place / job).exists() for place in _other_places(root)):
            continue
        try:
            (root.work / job).mkdir()
        except FileExistsError:
            continue
        return job
    raise AssertionError  # pragma: no cover  (the count never ends)


def slug(origin: str) -> str:
    """Give the folders and name of a path in small ASCII letters, digits and hyphens."""
    stem = re.sub(r"\.[A-Za-z0-9]{1,5}$", "", origin)
    plain = unicodedata.normalize("NFKD", stem).encode("ascii", "ignore").decode().lower()
    words = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")
    return words[-_LONGEST:].strip("-") or "recording"


def _other_places(root: Root) -> tuple[Path, ...]:
    return (root.held, root.quarantine, root.jobs, root.incoming)
