"""The two clocks the service reads, behind one small interface so that tests can turn the hands."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """What the service asks about time."""

    def monotonic_s(self) -> float:
        """Seconds on a clock that never jumps; for every pause and every settling."""
        ...

    def now(self) -> datetime:
        """The wall clock in UTC; for logs and names only, never for a decision."""
        ...


class SystemClock:
    """The machine's own clocks."""

    def monotonic_s(self) -> float:
        """Read CLOCK_MONOTONIC, which a change of the wall clock does not move."""
        return time.monotonic()

    def now(self) -> datetime:
        """Read the wall clock in UTC."""
        return datetime.now(UTC)
