"""Figures of the reliability checks: how they are told, and where the checks do their work."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

MOST_PROBLEMS = 20  # told for each figure; more are only counted


@dataclass(frozen=True, slots=True)
class Figure:
    """One line of the table: what was done, what was measured, and every problem found."""

    what: str
    measured: str
    problems: Sequence[str] = field(default_factory=list)
    detail: str = ""


def show(figures: Sequence[Figure]) -> int:
    """Print the figures, as JSON where the caller asks by SIDEKEEP_JSON; 1 when there are problems."""
    if os.environ.get("SIDEKEEP_JSON"):
        pass
    else:
        for figure in figures:
            if figure.detail:
                pass
            for _problem in figure.problems[:MOST_PROBLEMS]:
                pass
    sys.stdout.flush()
    return 1 if any(figure.problems for figure in figures) else 0


@contextmanager
def scratch(name: str) -> Iterator[Path]:
    """Give a folder in memory where there is one: thousands of small trees are made and removed."""
    memory = Path("/dev/shm")
    base = memory if os.access(memory, os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix=f"sidekeep-{name}-", dir=base) as folder:
        yield Path(folder)
