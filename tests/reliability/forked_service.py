"""The whole service as one forked process whose workers are forks again: real, but quick to start.

Everything is imported once, and rule sets are read once. What is left out has no part in keeping
recordings: the check of the rule sets in a child process, and the drawing of the report's pictures. All
of it is changed in forked processes only, never in the one that calls.
"""

from __future__ import annotations

import logging
import os
import resource
import select
import signal
import sys
import threading
import traceback
import warnings
from collections.abc import Callable, Mapping
from concurrent.futures import Executor, Future
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import sidekeep.job  # noqa: F401  (a worker imports it late; here all forks share it)
from sidekeep import delivery, rulesets, worker
from sidekeep.cores import CORES_VARIABLE
from sidekeep.errors import MachineFault
from sidekeep.forked import die_with
from sidekeep.preferences import Preferences
from sidekeep.rulesets import RuleSet, load_rule_sets
from sidekeep.service import drain as draining
from sidekeep.service import engine, launch, settling
from sidekeep.service.assembly import Wishes, assemble
from sidekeep.service.confinement import confine_worker
from sidekeep.service.executor import Call, Ending
from sidekeep.service.logs import Log, open_log
from sidekeep.service.readiness import Settle
from sidekeep.service.rulebook import Rulebook
from sidekeep.storage.folders import Root
from sidekeep.study import SECTIONS

PAGE = "<!DOCTYPE html><title>A job</title>\n"
PATIENCE_S = 20.0
SHORTLY_S = 0.2
OFFLINE_LONGEST_S = 4.0  # longer than the checks take folders away


def _address_space() -> int:
    """The bytes of this process's address space (proc(5), statm)."""
    pages = Path("/proc/self/statm").read_text(encoding="ascii").split()[0]
    return int(pages) * resource.getpagesize()


_AT_FIRST = _address_space()


class ForkedWorkers(Executor):
    """Runs each call in a fork of this process, bound as a worker is."""

    def __init__(self) -> None:
        self._pids: set[int] = set()

    def submit(self, _fn: Callable[..., Any], /, *args: Any, **_more: Any) -> Future[Any]:
        call: Call = args[0]
        future: Future[Any] = Future()
        future.set_running_or_notify_cancel()
        parent = os.getpid()
        pid = forked(lambda: bound_worker(call, parent))
        self._pids.add(pid)
        wall_s = call.limits.wall_s
        threading.Thread(target=self._wait, args=(pid, wall_s, future), daemon=True).start()
        return future

    def _wait(self, pid: int, wall_s: float, future: Future[Any]) -> None:
        end = os.pidfd_open(pid)
        timed_out = not select.select([end], [], [], wall_s)[0]
        os.close(end)
        if timed_out:
            os.kill(pid, signal.SIGKILL)
        status = os.waitpid(pid, 0)[1]
        self._pids.discard(pid)
        code = os.waitstatus_to_exitcode(status)
        ending = Ending(code) if code >= 0 else Ending(None, signal.Signals(-code).name)
        future.set_result(replace(ending, timed_out=timed_out))

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: ARG002
        for pid in tuple(self._pids):
            os.kill(pid, signal.SIGKILL)


def bound_worker(call: Call, parent: int) -> int:
    """Bind this process as `launch` does, and be the worker."""
    os.closerange(3, 1000)  # as exec would: the lock of the root, the ledger
    if not die_with(parent):
        raise SystemExit(launch.STILL_HELD)
    launch._hold(str(Root(Path(call.root)).work / call.job))
    confine_worker(Root(Path(call.root)), call.job, call.rules, "")
    limits = call.limits
    # What this process has taken since it loaded the service is no worker's: a fork inherits it.
    grown = max(0, _address_space() - _AT_FIRST)
    launch._limit(resource.RLIMIT_AS, limits.memory_bytes + grown)
    launch._limit(resource.RLIMIT_CPU, limits.cpu_s)
    launch._limit(resource.RLIMIT_FSIZE, limits.file_bytes)
    launch._limit(resource.RLIMIT_NOFILE, limits.open_files)
    launch._limit(resource.RLIMIT_CORE, 0)
    os.environ |= {launch.RULES_VARIABLE: call.rules, CORES_VARIABLE: str(call.cores)}
    rule_sets = rule_sets_of(call.rules)
    vars(rulesets)["load_rule_sets"] = lambda *_: rule_sets
    vars(delivery)["job_page"] = lambda *_: PAGE
    vars(delivery)["with_manifest"] = lambda page, _: page
    return worker.main([call.root, call.job])


@cache
def rule_sets_of(folder: str) -> Mapping[str, RuleSet]:
    """Read the rule sets of a folder, once: a process forked later has them."""
    return load_rule_sets([Path(folder)], SECTIONS)


class FixedRules(Rulebook):
    """Rule sets that were checked before."""

    def load(self) -> int:
        """Put the folders themselves in force."""
        self.path = os.pathsep.join(self._folders)
        return 1

    def prune(self) -> None:
        """Keep them."""


def drained(
    root: Path, rules: Path, *, log: Log | None = None, patience_s: float = PATIENCE_S
) -> int:
    """Empty the inbox once, as `sidekeep drain --settle '0 s'` does; for use in a forked process."""
    logging.getLogger("watchdog").addHandler(logging.NullHandler())
    # What is minutes where people wait is moments here.
    vars(engine).update(IDLE_S=SHORTLY_S, OFFLINE_S=SHORTLY_S, STUCK_S=SHORTLY_S)
    vars(draining).update(OFFLINE_LONGEST_S=OFFLINE_LONGEST_S)
    vars(settling).update(FEWEST_LOOKS=1)
    preferences = Preferences(root=str(root), rules=(str(rules),), free_space_gb=0.0)
    wishes = Wishes(Settle(0.0, 0.0), log or open_log(silent=True), ForkedWorkers())
    try:
        with assemble(preferences, wishes) as service:
            fixed = replace(service, rulebook=FixedRules(root / "state", preferences.rules))
            return 0 if draining.drain(fixed, patience_s) else 1
    except MachineFault as fault:  # it ends, and systemd starts it again
        sys.stderr.write(f"{fault}\n")
        return 1


def forked(work: Callable[[], int]) -> int:
    """Start work in a forked process; give its number."""
    with warnings.catch_warnings():
        # From 3.12 on Python warns of threads; those of the numeric libraries do not mind.
        warnings.simplefilter("ignore", DeprecationWarning)
        pid = os.fork()
    if pid == 0:
        code = 98
        try:
            code = work()
        except SystemExit as leaving:
            code = int(leaving.code or 0)
        except BaseException:  # noqa: BLE001  (a forked child must end here, whatever happens)
            traceback.print_exc()
        finally:
            sys.stderr.flush()
            os._exit(code)
    return pid


def in_a_fork(work: Callable[[], int]) -> int:
    """Run work in a forked process and give its exit code."""
    return os.waitstatus_to_exitcode(os.waitpid(forked(work), 0)[1])
