"""Proportional set sizes, read from /proc (proc_pid_smaps(5), Pss): shared memory counts once."""

from __future__ import annotations

import re
import subprocess
import time
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path

_LOOKS_EVERY_S = 0.04


def proportional_mb(process: int) -> float:
    """Give the proportional set size of a process, in 10^6 bytes."""
    rolled_up = Path(f"/proc/{process}/smaps_rollup").read_text(encoding="ascii")
    return int(re.findall(r"^Pss:\s+(\d+) kB", rolled_up, re.M)[0]) * 1024 / 1e6


def peak_below_mb(command: Sequence[str | Path]) -> float:
    """Run a command; give the most that the processes it starts took together, itself left out."""
    running = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    peak_mb = 0.0
    while running.poll() is None:
        peak_mb = max(peak_mb, sum(_sizes_mb(running.pid)))
        time.sleep(_LOOKS_EVERY_S)
    return peak_mb


def _sizes_mb(process: int) -> Iterator[float]:
    for child in _children(process):
        with suppress(OSError, IndexError):  # it has just ended
            yield proportional_mb(child)
        yield from _sizes_mb(child)


def _children(process: int) -> list[int]:
    with suppress(OSError):
        tasks = Path(f"/proc/{process}/task").iterdir()
        return [int(child) for task in tasks for child in (task / "children").read_text().split()]
    return []
