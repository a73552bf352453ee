"""Figures of the reliability checks: how they are told, and where the checks do their work."""

from __future__ import annotations

import os
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

MOST_PROBLEMS = 20  # told for each figure; more are only counted
WIDTHS = (42, 52, 52)  # of the columns what, measured, wanted


@dataclass(frozen=True, slots=True)
class Figure:
    """One line of the table: what was done, what was measured, and every problem found.

    `not_done` says why it could not be done here.
    """

    what: str
    wanted: str
    measured: str
    problems: Sequence[str] = ()
    detail: str = ""
    not_done: str = ""

    @property
    def reached(self) -> bool | None:
        """Whether it is as wanted; None when it was not done."""
        return None if self.not_done else not self.problems


_WORDS = {True: "yes", False: "NO", None: "not done"}
_HEADINGS = ("what", "measured", "wanted", "reached")


def table(figures: Iterable[Figure]) -> str:
    """Give the figures as text, each with its problems below."""
    lines = [*_row(_HEADINGS), *_row(["-" * width for width in (*WIDTHS, 8)])]
    for figure in figures:
        measured = figure.not_done or figure.measured
        lines += _row((figure.what, measured, figure.wanted, _WORDS[figure.reached]))
        told = [figure.detail] if figure.detail else []
        told += [f"problem: {each}" for each in figure.problems[:MOST_PROBLEMS]]
        if len(figure.problems) > MOST_PROBLEMS:
            told.append(f"and {len(figure.problems) - MOST_PROBLEMS} more problems")
        for each in told:
            lines += textwrap.wrap(each, 160, initial_indent="    ", subsequent_indent="      ")
    return "\n".join(lines)


def _row(cells: Sequence[str]) -> list[str]:
    columns = [
        textwrap.wrap(cell, width) or [""] for cell, width in zip(cells, WIDTHS, strict=False)
    ]
    columns.append([cells[-1]])
    height = max(map(len, columns))
    padded = [column + [""] * (height - len(column)) for column in columns]
    widths = (*WIDTHS, 8)
    return ["  ".join(map(str.ljust, line, widths)).rstrip() for line in zip(*padded, strict=True)]


@contextmanager
def scratch(name: str) -> Iterator[Path]:
    """Give a folder in memory where there is one: thousands of small trees are made and removed."""
    memory = Path("/dev/shm")
    base = memory if os.access(memory, os.W_OK) else None
    with TemporaryDirectory(prefix=f"sidekeep-{name}-", dir=base) as folder:
        yield Path(folder)
