"""Whole processes, measured from outside with GNU time: wall time and CPU time."""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

_TIME = "/usr/bin/time"


@dataclass(frozen=True, slots=True)
class Spent:
    """What a process and all its children took."""

    wall_s: float
    cpu_s: float

    def __add__(self, other: Spent) -> Spent:
        return Spent(self.wall_s + other.wall_s, self.cpu_s + other.cpu_s)

    def without(self, start: Spent) -> Spent:
        """Take off what a start alone costs."""
        return Spent(self.wall_s - start.wall_s, self.cpu_s - start.cpu_s)


@dataclass(frozen=True, slots=True)
class Done:
    """A process that has ended: what it took and what it wrote to standard error."""

    spent: Spent
    errors: str


def run(
    command: Sequence[str | Path], *, codes: Sequence[int] = (0,), folder: Path | None = None
) -> Done:
    """Run a command to its end.

    Args:
        command: the command line.
        codes: exit codes that mean it did its work.
        folder: where to run it.

    Raises:
        RuntimeError: it ended with another code.
    """
    with tempfile.NamedTemporaryFile("r", suffix=".time") as report:
        ended = subprocess.run(
            [_TIME, "-v", "-o", report.name, *command],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            cwd=folder,
            text=True,
            check=False,
        )
        if ended.returncode not in codes:
            message = f"{command} ended with {ended.returncode}: {ended.stderr[-2000:]}"
            raise RuntimeError(message)
        return Done(_read(report.read()), ended.stderr)


def sidekeep(*arguments: str | Path) -> list[str | Path]:
    """Give the command line of one of our commands."""
    return [Path(sys.executable).with_name("sidekeep"), *arguments]


def _read(report: str) -> Spent:
    """Read the report of `time -v`."""
    found: Mapping[str, str] = dict(re.findall(r"^\t(.+?)(?: \([^\t]*\))?: (\S+)$", report, re.M))
    wall_s = 0.0
    for part in found["Elapsed"].split(":"):
        wall_s = 60 * wall_s + float(part)
    cpu_s = float(found["User time"]) + float(found["System time"])
    return Spent(wall_s, cpu_s)
