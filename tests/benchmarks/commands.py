"""What a person waits for at the prompt, a look at the inbox, and the audit."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from statistics import median

from benchmarks.material import OF_RECORD, OUT
from benchmarks.processes import run, sidekeep
from benchmarks.roots import MANY_FILED, root_with
from benchmarks.sides import filed_root
from benchmarks.table import Row
from sidekeep.service.assembly import LEDGER_NAME
from sidekeep.service.ledger import Ledger
from sidekeep.service.reconcile import reconcile
from sidekeep.storage.folders import Root
from sidekeep.storage.manifest import MANIFEST_NAME

_UNRELATED = 10_000
_LOOK = """
import sys, time
from pathlib import Path
from sidekeep.service.inbox import look
began = time.perf_counter()
scan = look(Path(sys.argv[1]))
print(time.perf_counter() - began if scan.ignored == int(sys.argv[2]) else "")
"""


def commands(runs: int) -> Iterator[Row]:
    """Help, the list of jobs, a look at an inbox full of other things."""
    help_ms = _median_ms(sidekeep("--help"), runs)
    yield Row("first --help", help_ms, "ms", most=150.0)
    root = root_with(MANY_FILED, 0)
    ledger = Ledger(root.state / LEDGER_NAME)
    reconcile(root, ledger)
    ledger.close()
    jobs_ms = _median_ms(sidekeep("jobs", "--root", root.path), runs)
    yield Row(f"jobs, {MANY_FILED} filed", jobs_ms, "ms", most=300.0)
    yield Row(f"look at {_UNRELATED} other files", _look_ms(runs), "ms", most=100.0)


def audit(runs: int) -> Iterator[Row]:
    """The audit of one filed side against `sha256sum -c` on its manifest; both read the disk."""
    root = filed_root(OF_RECORD)
    run(
        ["sha256sum", *root.masters.rglob("*.wav"), *root.music.rglob("*.flac")]
    )  # so that the disk is awake
    ratios: list[float] = []
    details: list[str] = []
    for _ in range(runs):
        _forget(root)
        manifests = [
            path.relative_to(root.archive) for path in root.jobs.glob(f"*/{MANIFEST_NAME}")
        ]
        theirs_s = run(["sha256sum", "--quiet", "-c", *manifests], folder=root.archive).spent.wall_s
        _forget(root)
        ours_s = run(sidekeep("audit", "--root", root.path)).spent.wall_s
        ratios.append(theirs_s / ours_s)
        details.append(f"{theirs_s:.2f} s / {ours_s:.2f} s")
    yield Row("audit, speed against sha256sum", median(ratios), "x", least=0.8, detail=details[0])


def _median_ms(command: Sequence[str | Path], runs: int) -> float:
    def once() -> float:
        began = time.perf_counter()
        subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
        return time.perf_counter() - began

    return 1000 * median(once() for _ in range(3 * runs))


def _look_ms(runs: int) -> float:
    inbox = OUT / "inbox"
    shutil.rmtree(inbox, ignore_errors=True)
    inbox.mkdir()
    for number in range(_UNRELATED):
        (inbox / f"holiday {number:05}.mov").touch()
    command = [sys.executable, "-c", _LOOK, str(inbox), str(_UNRELATED)]
    return 1000 * median(float(subprocess.check_output(command)) for _ in range(3 * runs))


def _forget(root: Root) -> None:
    """Have the system drop the archive from memory."""
    for path in root.archive.rglob("*"):
        if path.is_file():
            descriptor = os.open(path, os.O_RDONLY)
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
            os.close(descriptor)
