"""When each filed job was last checked, and with what result; so that the longest unchecked come first.

Filing counts as a check, since all that is filed was read back from the disk. So jobs that are filed
every day do not keep the old ones from their turn.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from sidekeep.storage.durable import write_atomically
from sidekeep.storage.faults import faults
from sidekeep.storage.folders import Root

MARKS_NAME = "audit.json"
FIGURES_NAME = "audit-figures.json"


@dataclass(frozen=True, slots=True)
class Mark:
    """One job's last check: seconds since 1970 (UTC), and how many faults it found."""

    checked_s: float
    faults: int


@dataclass(frozen=True, slots=True)
class AuditFigures:
    """What the metrics tell; None while nothing is filed, or nothing was ever checked."""

    oldest_s: float | None = None
    errors: int | None = None


class Marks:
    """The marks of one root; a lost file only means that everything is checked again."""

    def __init__(self, root: Root) -> None:
        self._root = root
        self._marks: dict[str, Mark] = {}
        for job, values in _read(root.state / MARKS_NAME).items():
            try:
                self._marks[job] = Mark(float(values["checked_s"]), int(values["faults"]))
            except (TypeError, KeyError, ValueError):
                continue

    def share(self, jobs: Iterable[str], days: int) -> list[str]:
        """Choose one day's share: the longest unchecked first, all jobs within so many days."""
        order = sorted(jobs, key=lambda job: (self._read_s(job), job))
        return order[: math.ceil(len(order) / days)]

    def note(self, job: str, checked_s: float, found: int) -> None:
        """Note a check."""
        self._marks[job] = Mark(checked_s, found)

    def save(self, jobs: Iterable[str]) -> AuditFigures:
        """Write the marks of the jobs that there are, and the figures for the metrics.

        Raises:
            MachineFault: they cannot be written.
        """
        there = set(jobs)
        self._marks = {job: mark for job, mark in self._marks.items() if job in there}
        figures = AuditFigures(
            oldest_s=min(map(self._read_s, there), default=None),
            errors=sum(mark.faults for mark in self._marks.values()) if self._marks else None,
        )
        marks = {job: asdict(mark) for job, mark in sorted(self._marks.items())}
        with faults("writing", self._root.state):
            write_atomically(self._root.state / MARKS_NAME, json.dumps(marks).encode())
            write_atomically(self._root.state / FIGURES_NAME, json.dumps(asdict(figures)).encode())
        return figures

    def _read_s(self, job: str) -> float:
        """When a job was last read as a whole: checked, or filed."""
        if job in self._marks:
            return self._marks[job].checked_s
        try:
            return (self._root.jobs / job).stat().st_mtime
        except OSError:
            return 0.0


def read_figures(root: Root) -> AuditFigures:
    """Read the figures of the last audit."""
    values = _read(root.state / FIGURES_NAME)
    oldest, errors = values.get("oldest_s"), values.get("errors")
    return AuditFigures(
        oldest if isinstance(oldest, float) else None,
        errors if isinstance(errors, int) else None,
    )


def _read(path: Path) -> dict[str, Any]:
    try:
        found = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}
