"""The states a job can be in, and where each one lies on disk."""

from __future__ import annotations

from enum import StrEnum


class State(StrEnum):
    """Where a job stands. The folder is the truth; the ledger repeats it."""

    QUEUED = "queued"
    RUNNING = "running"
    DEFERRED = "deferred"
    HELD = "held"
    QUARANTINED = "quarantined"
    FILED = "filed"


IN_WORK = frozenset({State.QUEUED, State.RUNNING, State.DEFERRED})
