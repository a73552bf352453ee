"""Where jobs are worked on: a child process each, started from a small pool of threads.

The service hands `run_worker` to a `concurrent.futures.Executor` and looks at nothing but the
`Ending` that comes back, so any executor whose workers see the same root will do. Ours can also end
the children it started, which makes stopping quick.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import wait as wait_for
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from sidekeep.cores import CORES_VARIABLE, MOST
from sidekeep.service import launch
from sidekeep.service.confinement import CACHE_VARIABLE
from sidekeep.service.launch import RULES_VARIABLE
from sidekeep.service.limits import Limits

ERRORS_NAME = "worker.err"  # what the worker printed, kept beside the recording
_TAIL_BYTES = 2000
_HEAP = str(32 << 20)  # bytes: more than a block of audio, less than would be missed

P = ParamSpec("P")
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Call:
    """What a worker needs to know; plain values, so that it can travel to another machine.

    `rules` are the folders of the person's rule sets, joined as in PATH; `cache` is a folder where
    the worker may keep drawing fonts and the like; `worker` the module that does the job; `cores`
    how many processor cores it may keep busy.
    """

    root: str
    job: str
    limits: Limits
    rules: str = ""
    cache: str = ""
    worker: str = "sidekeep.worker"
    cores: int = MOST


@dataclass(frozen=True, slots=True)
class Ending:
    """How a worker ended: exit code, or the signal that ended it, or the time limit."""

    code: int | None
    signal: str = ""
    timed_out: bool = False
    abandoned: bool = False
    tail: str = ""

    @property
    def well(self) -> bool:
        """Whether the worker came to its end by itself, with a result."""
        return self.code == 0

    def __str__(self) -> str:
        if self.timed_out:
            return "the worker did not finish within its time limit and was ended"
        if self.signal:
            return f"the worker was ended by {self.signal}"
        last = self.tail.strip().rpartition("\n")[2]
        return f"the worker ended with code {self.code}" + (f" ({last})" if last else "")


class _Children:
    """The process groups this process has started and not yet seen the end of."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._roots: dict[int, str] = {}
        self._ended: set[int] = set()

    def add(self, group: int, root: str) -> None:
        with self._lock:
            self._roots[group] = root

    def remove(self, group: int) -> bool:
        """Forget a group; tell whether it was ended by `end`."""
        with self._lock:
            self._roots.pop(group, None)
            abandoned = group in self._ended
            self._ended.discard(group)
            return abandoned

    def end(self, root: str | None = None) -> None:
        """End the groups that work on this root, or all."""
        with self._lock:
            for group, its_root in self._roots.items():
                if root in (None, its_root):
                    self._ended.add(group)
                    _kill(group)


_CHILDREN = _Children()


def end_children(root: str) -> None:
    """End the children that this process has started for a root."""
    _CHILDREN.end(root)


def run_worker(call: Call) -> Ending:
    """Run one job in a child process with limits and wait for its end."""
    errors_path = Path(call.root, "work", call.job, ERRORS_NAME)
    limits = call.limits
    command = launch.arguments(call.worker, call.root, call.job, limits)
    with errors_path.open("wb") as errors:
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=errors,
            stderr=errors,
            env=_environment(call),
            process_group=0,
        )
        _CHILDREN.add(process.pid, call.root)
        try:
            timed_out = _waited_out(process, limits.wall_s)
        finally:
            abandoned = _CHILDREN.remove(process.pid)
    return _ending(process.returncode, timed_out, abandoned, _tail(errors_path))


def _waited_out(process: subprocess.Popen[bytes], wall_s: float) -> bool:
    """Wait for the end; past the limit end the whole group and say so."""
    try:
        process.wait(wall_s)
    except subprocess.TimeoutExpired:
        _kill(process.pid)
        process.wait()
        return True
    return False


def _ending(code: int, timed_out: bool, abandoned: bool, tail: str) -> Ending:  # noqa: FBT001
    if code < 0:
        return Ending(None, signal.Signals(-code).name, timed_out, abandoned, tail)
    return Ending(code, "", timed_out, abandoned, tail)


def _kill(group: int) -> None:
    with contextlib.suppress(ProcessLookupError):
        os.killpg(group, signal.SIGKILL)


def _environment(call: Call) -> Mapping[str, str]:
    """The child's environment.

    One thread per numeric library, since a worker shares its cores; one heap for all threads, since
    each would keep for itself what it once needed (mallopt(3), M_ARENA_MAX). Blocks of audio stay in
    the heap, and the heap stays: to give it back after each block costs more than a meter does.
    """
    values = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    values |= {
        "MALLOC_ARENA_MAX": "1",
        "MALLOC_MMAP_THRESHOLD_": _HEAP,
        "MALLOC_TRIM_THRESHOLD_": _HEAP,
    }
    values[CORES_VARIABLE] = str(call.cores)
    values.pop("NOTIFY_SOCKET", None)
    if call.rules:
        values[RULES_VARIABLE] = call.rules
    if call.cache:
        values |= {CACHE_VARIABLE: call.cache, "XDG_CACHE_HOME": call.cache}
    return values


def _tail(path: Path) -> str:
    """The end of what the worker printed; the file goes when it is empty."""
    try:
        size = path.stat().st_size
        if size == 0:
            path.unlink()
            return ""
        with path.open("rb") as errors:
            errors.seek(max(0, size - _TAIL_BYTES))
            return errors.read().decode("utf-8", "replace")
    except OSError:
        return ""


class ChildProcesses(ThreadPoolExecutor):
    """Runs calls in threads that wait for child processes; shutting down ends the children."""

    def __init__(self, workers: int) -> None:
        super().__init__(workers, thread_name_prefix="worker")
        self._calls: set[Future[Any]] = set()

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Hand a call to the next free thread."""
        call = super().submit(fn, *args, **kwargs)
        self._calls.add(call)
        call.add_done_callback(self._calls.discard)
        return call

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: FBT001, FBT002
        """Stop taking calls; with `cancel_futures` the running children are ended as well."""
        super().shutdown(wait=False, cancel_futures=cancel_futures)
        # Again and again, since a thread may be just about to start its child.
        while cancel_futures and self._calls:
            _CHILDREN.end()
            wait_for(self._calls.copy(), timeout=0.05)
        super().shutdown(wait=wait)
