"""How many processor cores one job may keep busy."""

from __future__ import annotations

import os

CORES_VARIABLE = "SIDEKEEP_CORES"
MOST = 2  # what reading and writing a side can be shared out to


def cores() -> int:
    """Return 1 or 2: what the service allows, as far as this machine has as many."""
    allowed = int(os.environ.get(CORES_VARIABLE) or MOST)
    return max(1, min(allowed, MOST, len(os.sched_getaffinity(0))))
