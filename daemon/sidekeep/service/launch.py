"""The first thing a worker process runs: bind itself, then become the worker.

Runs in the child, before anything of the recording is touched: the child dies with its parent,
holds a lock on its job so that two workers never meet in one folder, gives up all of the file system
that is not its own, and takes its limits along through exec. Imports nothing heavy; a parent that
starts a hundred of these notices none.
"""

from __future__ import annotations

import errno
import fcntl
import os
import resource
import sys
import time
from pathlib import Path

from sidekeep.forked import die_with
from sidekeep.service.confinement import CACHE_VARIABLE, confine_worker
from sidekeep.service.limits import Limits
from sidekeep.storage.folders import Root
from sidekeep.storage.landlock import CONFINED_VARIABLE

STILL_HELD = 69  # EX_UNAVAILABLE of sysexits(3): another worker still holds this job
TRY_AGAIN = 75  # EX_TEMPFAIL: the machine failed; the worker itself uses it as well
RULES_VARIABLE = "SIDEKEEP_RULES"  # folders of the person's rule sets, joined as in PATH
_PATIENCE_S, _PAUSE_S = 1.0, 0.02  # what a killed worker has forked ends a moment after it
_PYTHON = [sys.executable, "-P"]  # -P: nothing is imported from the folder the service runs in


def arguments(worker: str, root: str, job: str, limits: Limits) -> list[str]:
    """The command line that starts a bound worker, to be read back by `main`.

    Args:
        worker: the module that does the job; run as `python -m WORKER ROOT JOB`.
        root: the root folder.
        job: the job's name.
        limits: what the worker may use.
    """
    numbers = (
        os.getpid(),
        limits.memory_bytes,
        limits.cpu_s,
        limits.file_bytes,
        limits.open_files,
    )
    return [*_PYTHON, "-m", __spec__.name, worker, root, job, *map(str, numbers)]


def main(argv: list[str]) -> None:
    """Bind this process and replace it by the worker; returns only by `SystemExit`."""
    try:
        _become_worker(argv)
    except OSError as error:
        sys.stderr.write(f"the worker could not be started: {error}\n")
        raise SystemExit(TRY_AGAIN) from error


def _become_worker(argv: list[str]) -> None:
    worker, root, job = argv[:3]
    parent, memory_bytes, cpu_s, file_bytes, open_files = map(int, argv[3:])
    if not die_with(parent):
        raise SystemExit(STILL_HELD)
    _hold(os.path.join(root, "work", job))  # noqa: PTH118
    os.environ[CONFINED_VARIABLE] = confine_worker(
        Root(Path(root)),
        job,
        os.environ.get(RULES_VARIABLE, ""),
        os.environ.get(CACHE_VARIABLE, ""),
    )
    _limit(resource.RLIMIT_AS, memory_bytes)
    _limit(resource.RLIMIT_CPU, cpu_s)
    _limit(resource.RLIMIT_FSIZE, file_bytes)
    _limit(resource.RLIMIT_NOFILE, open_files)
    _limit(resource.RLIMIT_CORE, 0)
    os.execv(sys.executable, [*_PYTHON, "-m", worker, root, job])  # noqa: S606


def _hold(folder: str) -> None:
    """Lock the job's folder for the life of this process and of what it becomes."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    until_s = time.monotonic() + _PATIENCE_S
    try:
        while not _locked(descriptor):
            if time.monotonic() >= until_s:
                raise SystemExit(STILL_HELD)
            time.sleep(_PAUSE_S)
    except OSError as error:
        if error.errno not in (errno.EBADF, errno.EINVAL, errno.ENOLCK, errno.EOPNOTSUPP):
            raise
        # A network file system that cannot lock folders: the parent's death signal must do.
    os.set_inheritable(descriptor, True)  # noqa: FBT003


def _locked(descriptor: int) -> bool:
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _limit(what: int, value: int) -> None:
    hard = resource.getrlimit(what)[1]
    bound = value if hard == resource.RLIM_INFINITY else min(value, hard)
    resource.setrlimit(what, (bound, bound))


if __name__ == "__main__":
    main(sys.argv[1:])
