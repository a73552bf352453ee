"""Putting a service together from the settings: folders, lock, ledger, workers, engine."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from sidekeep.errors import MachineFault
from sidekeep.preferences import Preferences
from sidekeep.service.clock import Clock, SystemClock
from sidekeep.service.dispatch import Hands
from sidekeep.service.engine import Engine, Surroundings
from sidekeep.service.executor import ChildProcesses
from sidekeep.service.ledger import Entry, open_ledger
from sidekeep.service.lock import RootLock
from sidekeep.service.logs import Log, open_log
from sidekeep.service.readiness import Settle
from sidekeep.service.rulebook import Rulebook
from sidekeep.service.spread import Spread
from sidekeep.service.wake import Bell, FileSystemEvents
from sidekeep.storage.folders import MARKER, Root

LEDGER_NAME = "ledger.db"
LOCK_NAME = "lock"


@dataclass(frozen=True, slots=True)
class Service:
    """A service ready to run."""

    engine: Engine
    rulebook: Rulebook
    bell: Bell
    clock: Clock
    log: Log


@dataclass(frozen=True, slots=True)
class Wishes:
    """What a command may change about a service: settling, log, workers, who hears of each job."""

    settle: Settle | None = None
    log: Log | None = None
    executor: Executor | None = None
    concluded: Callable[[Entry], None] = lambda _: None


@contextmanager
def assemble(preferences: Preferences, wishes: Wishes | None = None) -> Iterator[Service]:
    """Lock the root and put a service together; everything is closed at the end.

    Raises:
        Refused: another service works on this root.
        MachineFault: the folders cannot be made.
    """
    wishes = wishes or Wishes()
    root = Root(Path(preferences.root))
    _prepare(root)
    log = wishes.log or open_log()
    clock, bell = SystemClock(), Bell()
    with RootLock(root.state / LOCK_NAME):
        ledger, is_new = open_ledger(root.state / LEDGER_NAME)
        if is_new:
            log.info("ledger.new", next="it is built from the folders")
        executor = wishes.executor or _hands(preferences)
        around = Surroundings(
            clock,
            log,
            FileSystemEvents(bell, preferences),
            Hands(executor, bell),
            concluded=wishes.concluded,
        )
        engine = Engine(root, preferences, ledger, around, wishes.settle)
        try:
            yield Service(engine, Rulebook(root.state, preferences.rules), bell, clock, log)
        finally:
            executor.shutdown(wait=True, cancel_futures=True)
            ledger.close()


def _hands(preferences: Preferences) -> Executor:
    """Where jobs are worked on: here, or on other machines where the settings say so."""
    if preferences.spread is None:
        return ChildProcesses(preferences.workers)
    return Spread(preferences.spread, preferences.root)


def _prepare(root: Root) -> None:
    """Make the folders on first use; one that went away later is the engine's to wait for."""
    try:
        root.prepare()
    except MachineFault:
        if not (root.state / MARKER).exists():
            raise
