"""What the service is doing, for people: one line for systemd, one file for `sidekeep jobs`."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

from sidekeep.service.states import State
from sidekeep.storage.jobfiles import Progress

STATUS_NAME = "status.json"


@dataclass(frozen=True, slots=True)
class Waiting:
    """A recording that is still in the inbox, and why."""

    path: str
    why: str


@dataclass(frozen=True, slots=True)
class Status:
    """The state of the service after a pass."""

    mode: str = ""
    mode_reason: str = ""
    offline: str = ""
    waiting: tuple[Waiting, ...] = ()
    refused: tuple[Waiting, ...] = ()
    unreadable: tuple[Waiting, ...] = ()
    ignored: int = 0
    ignored_example: str = ""
    short_of_space: str = ""


def line(counts: Mapping[State, int], status: Status, running: Mapping[str, Progress]) -> str:
    """Say in one line what is going on."""
    if status.offline:
        return f"offline: {status.offline}"
    told = []
    if status.waiting:
        told.append(f"{len(status.waiting)} in the inbox not complete yet")
    if queued := counts.get(State.QUEUED, 0) + counts.get(State.DEFERRED, 0):
        told.append(f"{queued} queued")
    for job, progress in running.items():
        told.append(f"{job} {progress.act or 'starting'} {progress.fraction:.0%}")
    here = [s for s in (State.HELD, State.QUARANTINED) if counts.get(s, 0)]
    told.extend(f"{counts[state]} {state}" for state in here)
    if status.short_of_space:
        told.append(status.short_of_space)
    return ", ".join(told) or "idle, nothing waits"


def write_status(path: Path, status: Status) -> None:
    """Replace the status file; it is only ever of the moment, so it need not outlive a power cut."""
    beside = path.with_name(path.name + ".new")
    beside.write_text(json.dumps(asdict(status)), encoding="ascii")
    os.replace(beside, path)  # noqa: PTH105


def read_status(path: Path) -> Status | None:
    """Read the status file; None when there is none."""
    try:
        values = json.loads(path.read_text(encoding="ascii"))
        for name in ("waiting", "refused", "unreadable"):
            values[name] = tuple(Waiting(**each) for each in values[name])
        return Status(**values)
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return None
