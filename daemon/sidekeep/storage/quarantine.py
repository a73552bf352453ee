"""Where a job waits: held for a person, in quarantine with its reason, or back in work.

Each is one rename of the job's whole folder, so the recording is always in exactly one place.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

import yaml

from sidekeep.errors import Refused
from sidekeep.storage.durable import fsync_folder, rename_noreplace, write_atomically
from sidekeep.storage.faults import faults
from sidekeep.storage.folders import Root
from sidekeep.storage.stage import discard

REASON_NAME = "reason.yaml"


def hold(root: Root, job: str) -> Path:
    """Move a job from `work/` to `held/`; its stage is removed. Give its new folder.

    Raises:
        Refused: the job is not in `work/`, or is being published.
        MachineFault: the machine failed.
    """
    return _move(root, job, root.work, root.held)


def quarantine(root: Root, job: str, reason: Mapping[str, str | int | float | None]) -> Path:
    """Move a job from `work/` to `quarantine/` with its reason; its stage is removed.

    Args:
        root: the folders.
        job: the job's name.
        reason: what a person reads: `what`, `why`, `advice`, `when`, and what else helps.

    Raises:
        Refused: the job is not in `work/`, or is being published.
        MachineFault: the machine failed.
    """
    where = root.work / job
    if where.is_dir():
        text = yaml.safe_dump(dict(reason), allow_unicode=True, sort_keys=False, width=100)
        with faults("writing", where / REASON_NAME):
            write_atomically(where / REASON_NAME, text.encode("utf-8", "replace"))
    return _move(root, job, root.work, root.quarantine)


def take_back(root: Root, job: str) -> Path:
    """Move a held or quarantined job back to `work/`. Give its new folder.

    Raises:
        Refused: no such job is held or in quarantine.
        MachineFault: the machine failed.
    """
    for place in (root.held, root.quarantine):
        if os.path.lexists(place / job):
            return _move(root, job, place, root.work)
    raise Refused(f"No job {job} is held or in quarantine.", "See `sidekeep jobs`.")


def read_reason(folder: Path) -> dict[str, object]:
    """Read the reason of a job in quarantine; empty when there is none or it was spoilt."""
    try:
        found = yaml.safe_load((folder / REASON_NAME).read_bytes())
    except (OSError, ValueError, yaml.YAMLError):
        return {}
    return found if isinstance(found, dict) else {}


def _move(root: Root, job: str, source: Path, target: Path) -> Path:
    if source == root.work:
        discard(root, job)
    with faults("moving", source / job):
        if not os.path.lexists(source / job):
            if os.path.lexists(target / job):
                return target / job
            raise Refused(f"There is no job {job} in {source}.", "See `sidekeep jobs`.")
        rename_noreplace(source / job, target / job)
        fsync_folder(target)  # a rename is one step: with the new place goes the old
    return target / job
