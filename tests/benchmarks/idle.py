"""The service at rest, looked at from outside: memory, processor time, wake-ups."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from benchmarks.memory import proportional_mb
from benchmarks.processes import sidekeep
from benchmarks.roots import FILED, HELD, root_with
from benchmarks.table import Row

_CALM_S = 5.0  # after the first look at the inbox


@dataclass(frozen=True, slots=True)
class _Counts:
    """What all threads of a process have used so far."""

    cpu_s: float
    woken: int


def idle(seconds: float) -> Iterator[Row]:
    """Let the service rest for so long."""
    root = root_with(FILED, HELD)
    service = subprocess.Popen(
        sidekeep("watch", "--root", root.path), stderr=subprocess.PIPE, stdin=subprocess.DEVNULL
    )
    assert service.stderr is not None
    try:
        _until(service.stderr, "service.online")
        time.sleep(_CALM_S)
        process = Path("/proc", str(service.pid))
        before = _counts(process)
        time.sleep(seconds)
        after = _counts(process)
        memory_mb = proportional_mb(service.pid)
    finally:
        service.send_signal(signal.SIGTERM)
        service.communicate(timeout=60)
    detail = f"{FILED} filed, {HELD} held, {seconds:g} s"
    share = 100 * (after.cpu_s - before.cpu_s) / seconds
    yield Row("idle service, proportional set size", memory_mb, "MB", most=35.0, detail=detail)
    yield Row("idle service, share of a core", share, "%", most=0.1, detail=detail)
    woken = (after.woken - before.woken) / seconds
    yield Row("idle service, wake-ups", woken, "per s", most=1.0, detail=detail)


def _until(lines: IO[bytes], event: str) -> None:
    for line in lines:
        if json.loads(line)["event"] == event:
            return
    message = "the service ended before it was ready"
    raise RuntimeError(message)


def _counts(process: Path) -> _Counts:
    """Add up over threads; the scheduler counts nanoseconds (proc(5), schedstat)."""
    nanoseconds = woken = 0
    for task in (process / "task").iterdir():
        nanoseconds += int((task / "schedstat").read_text(encoding="ascii").split()[0])
        status = (task / "status").read_text(encoding="utf-8")
        woken += int(re.findall(r"^voluntary_ctxt_switches:\s+(\d+)", status, re.M)[0])
    return _Counts(nanoseconds / 1e9, woken)
