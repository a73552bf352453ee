"""The table: what was measured, what it shall be, and whether it is."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Row:
    """One figure. `most` or `least` bounds it; a row without bounds only informs."""

    what: str
    value: float
    unit: str = ""
    most: float | None = None
    least: float | None = None
    detail: str = ""

    @property
    def reached(self) -> bool | None:
        """Whether the bounds are kept; None when there are none."""
        if self.most is None and self.least is None:
            return None
        below = self.most is None or self.value <= self.most
        return below and (self.least is None or self.value >= self.least)


_WORDS = {True: "yes", False: "NO", None: ""}


def show(rows: Iterable[Row]) -> str:
    """Give the table as text."""
    cells = [
        (row.what, f"{row.value:.3g} {row.unit}", _aim(row), _WORDS[row.reached], row.detail)
        for row in rows
    ]
    cells.insert(0, ("what", "measured", "shall be", "ok", "from"))
    widths = [max(len(row[column]) for row in cells) for column in range(5)]
    lines = ("  ".join(map(str.ljust, row, widths)).rstrip() for row in cells)
    return "\n".join(lines)


def _aim(row: Row) -> str:
    if row.most is not None and row.least is not None:
        return f"{row.least:g} to {row.most:g}"
    if row.most is not None:
        return f"<= {row.most:g}"
    return "" if row.least is None else f">= {row.least:g}"
