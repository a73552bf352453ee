"""The service's life: start, pass after pass, stop.

A pass does whatever is due and says how long the next one may wait. It asks the clock, the file
system and the executor it was given, and never sleeps. Events, start-up and timer all lead to the
same look at the inbox, and all jobs go through the same queue.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from sidekeep.errors import SidekeepError
from sidekeep.preferences import Preferences
from sidekeep.service import latesheets
from sidekeep.service.claiming import Claiming
from sidekeep.service.clock import Clock
from sidekeep.service.conclusions import Conclusion, Conclusions, told
from sidekeep.service.dispatch import Dispatcher, Hands
from sidekeep.service.inbox import Scan, look
from sidekeep.service.intake import Intake
from sidekeep.service.ledger import Entry, Ledger
from sidekeep.service.leftovers import SharedSheets
from sidekeep.service.logs import Log
from sidekeep.service.readiness import Gate, Settle, Standing, header_finished
from sidekeep.service.reconcile import entry_of, is_whole, reconcile
from sidekeep.service.reporting import Reporter
from sidekeep.service.states import State
from sidekeep.service.status import Status, Waiting, line
from sidekeep.service.wake import EventSource, Mode
from sidekeep.storage.claim import recover_claims
from sidekeep.storage.folders import Root
from sidekeep.storage.lease import is_open_for_writing
from sidekeep.storage.publish import recover

IDLE_S = 20.0  # longest pause between passes: jobs that a command moved are noticed by then
RUNNING_S = 0.2  # while a worker runs
VERDICT_S = 0.05  # until its verdict is there, which a person stands beside the turntable for
CHANGING_S = 1.0
STUCK_S = 10.0  # between looks at files that have not changed for a minute and are not complete
OFFLINE_S = 5.0


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What the engine is given instead of taking it: clock, log, events, workers, eyes."""

    clock: Clock
    log: Log
    events: EventSource
    hands: Hands
    scan: Callable[[Path], Scan] = look
    open_for_writing: Callable[[Path], bool | None] = is_open_for_writing
    concluded: Callable[[Entry], None] = lambda _: None


class Engine:
    """One root's service. `settle` overrides the preferences' for a single run."""

    def __init__(
        self,
        root: Root,
        preferences: Preferences,
        ledger: Ledger,
        around: Surroundings,
        settle: Settle | None = None,
    ) -> None:
        self._root = root
        self._ledger = ledger
        self._clock = around.clock
        self._log = around.log
        self._events = around.events
        settle = settle or Settle(preferences.settle_s, preferences.settle_unseen_s)
        self._settle = settle
        gate = Gate(root.inbox, settle, around.open_for_writing, header_finished)
        self.reporter = Reporter(root, ledger, around.clock, around.log, around.concluded)
        self.intake = Intake(root.inbox, gate, around.scan)
        conclusions = Conclusions(root, ledger, self.reporter.stamp)
        self.dispatcher = Dispatcher(
            root, preferences, around.hands, conclusions, self.reporter, around.clock
        )
        largest_bytes = preferences.largest_file_gb * 1e9
        self._claiming = Claiming(
            root, self.intake, conclusions, self.reporter, around.clock, around.log, largest_bytes
        )
        self._conclusions = conclusions
        self._shared = SharedSheets(root, ledger)
        self._mode = Mode("", "", preferences.scan_every_s)
        self._armed: tuple[int, int] | None = None
        self._next_look_s = 0.0
        self._recovery_is_due = True
        self.offline = "not started"

    # --- start, pass, stop ------------------------------------------------------------------------

    def start(self) -> None:
        """Begin; everything else is done by the first pass that finds the folders there."""
        self._log.info("service.started", root=str(self._root.path), process=os.getpid())

    def one_pass(self, *, woken: bool = False) -> float:
        """Do what is due; return how long the next pass may wait, in seconds.

        Args:
            woken: look at the inbox now, whatever the timer says.
        """
        if not self._is_online():
            self._tell()
            return OFFLINE_S
        if woken:
            self._next_look_s = self._clock.monotonic_s()
        try:
            if self.dispatcher.collect():
                self._next_look_s = self._clock.monotonic_s()
            self.dispatcher.tell_verdicts()
            if self._clock.monotonic_s() >= self._next_look_s:
                self._look()
            self._find_returned()
            self.dispatcher.start_due()
        except (SidekeepError, OSError) as error:
            self._fault("service.fault", error)
        self._tell()
        return self._pause_s()

    def stop(self, grace_s: float = 3.0) -> None:
        """Let workers that are about to end do so, end the others, and leave all in order."""
        self._log.info("service.stopping", running=list(self.dispatcher.tally.running))
        self._events.disarm()
        self.dispatcher.abandon(grace_s)
        if not self.offline:
            try:
                self.dispatcher.collect()
            except (SidekeepError, OSError) as error:
                self._fault("service.fault", error)
            self._tell()
        self._log.info("service.stopped")

    @property
    def nothing_to_do(self) -> bool:
        """Whether nothing is queued, running, or about to be taken from the inbox."""
        if self.offline or self.dispatcher.tally.running:
            return False
        coming = {Standing.CHANGING, Standing.GATHERING, Standing.READY}
        return self.rests and not any(a.standing in coming for a in self.intake.arrivals)

    @property
    def rests(self) -> bool:
        """Whether no job runs and none could be started now."""
        resting = self.dispatcher.tally.rests(self._clock.monotonic_s())
        return resting or bool(self.dispatcher.short_of_space)

    # --- the parts of a pass ----------------------------------------------------------------------

    def _is_online(self) -> bool:
        """Check the folders and their markers; bring everything in order when they come back."""
        try:
            self._root.check()
            self._arm()
            if self._recovery_is_due and self.dispatcher.tally.all_ended:
                self._recover()
        except (SidekeepError, OSError) as error:
            message, advice = told(error)
            offline = f"{message} {advice}"
            if offline != self.offline:
                self._log.error(
                    "service.offline",
                    why=message,
                    next=f"looked for again every {OFFLINE_S:.0f} s; nothing is touched until then",
                    advice=advice,
                )
            self.offline = offline
            self._recovery_is_due = True
        return not self.offline

    def _arm(self) -> None:
        """Watch the inbox; watch it anew when another folder has come in its place."""
        status = self._root.inbox.stat()
        here = (status.st_dev, status.st_ino)
        if here != self._armed:
            self._mode = self._events.arm(self._root.inbox)
            self._armed = here
            self._next_look_s = self._clock.monotonic_s()
            self._log.info("service.mode", mode=self._mode.name, why=self._mode.why)

    def _recover(self) -> None:
        """Bring every interrupted step to its end or back to its beginning; safe to repeat.

        Raises:
            MachineFault: the machine failed again; the next pass tries again.
            OSError: a folder cannot be read.
        """
        self._root.prepare()
        self.dispatcher.collect()
        changed = reconcile(self._root, self._ledger)
        for job in sorted(os.listdir(self._root.incoming)):  # noqa: PTH208
            if (self._root.work / job).is_dir() and not (self._root.jobs / job).exists():
                conclusion = self._conclusions.carry_on(job)
                if conclusion is not None:
                    self.dispatcher.apply(job, conclusion)
        for done in recover(self._root):
            self.reporter.recovered(done)
        for job in recover_claims(self._root):
            self.dispatcher.tally.add(job)
        changed += reconcile(self._root, self._ledger)
        self.offline = ""
        self._recovery_is_due = False
        self._log.info("service.online", corrected=changed, queued=len(self.dispatcher.tally.queue))

    def _look(self) -> None:
        now_s = self._clock.monotonic_s()
        arrivals = self.intake.look(now_s)
        self.reporter.scanned(self.intake.scan)
        for arrival in arrivals:
            taken = self._claiming.take(arrival)
            if taken is not None:
                self._queue(*taken)
        self._use_sheets(now_s)
        self._next_look_s = now_s + self._look_again_s(now_s)

    def _queue(self, job: str, conclusion: Conclusion | None) -> None:
        if conclusion is None:
            self.dispatcher.tally.add(job)
        else:
            self.dispatcher.apply(job, conclusion)

    def _use_sheets(self, now_s: float) -> None:
        """Give late sheets to the jobs that lack them; remove shared ones that have done all."""
        held = [e for e in self._ledger.in_state(State.HELD) if not e.sheet]
        handed = latesheets.hand_over(
            self._root, self.intake.scan, held, lambda seen: self.intake.settled(seen, now_s)
        )
        for job, sheet in handed:
            entry = entry_of(self._root.work / job, State.QUEUED)
            self.reporter.returned(entry, f"its sheet has come: {sheet}")
            self.dispatcher.tally.add(job)
        for path in self._shared.tidy(self.intake.scan):
            self._log.info("inbox.sheet_done", file=path, why="all its sides are filed")

    def _look_again_s(self, now_s: float) -> float:
        """How soon to look again: soon while files change, rarely while they are stuck."""
        unsettled = [
            seen for seen in self.intake.scan.files if not self.intake.settled(seen, now_s)
        ]
        waiting = [a for a in self.intake.arrivals if a.standing is not Standing.READY]
        soon_s = min(CHANGING_S, max(0.05, self._settle.seen_s / 4))
        if unsettled or any(a.quiet_s < 60.0 for a in waiting):
            return soon_s
        again_s = STUCK_S if waiting else self._mode.scan_every_s
        pause_ends_s = self.intake.pauses.next_s()
        if pause_ends_s is not None:
            again_s = min(again_s, max(soon_s, pause_ends_s - now_s))
        return again_s

    def _find_returned(self) -> None:
        """Queue the jobs that a command has moved back into `work/`."""
        with os.scandir(self._root.work) as entries:
            jobs = sorted(e.name for e in entries if e.is_dir(follow_symlinks=False))
        for job in jobs:
            folder = self._root.work / job
            if self.dispatcher.tally.knows(job):
                continue
            if not is_whole(folder):  # a claim that could not even be undone
                self._recovery_is_due = True
                continue
            self.reporter.returned(entry_of(folder, State.QUEUED), "it was moved back to work")
            self.dispatcher.tally.add(job)

    def _pause_s(self) -> float:
        now_s = self._clock.monotonic_s()
        pauses = (self.dispatcher.tally.pauses, self.intake.pauses)
        ends = [end for end in (each.next_s() for each in pauses) if end is not None]
        due = min([self._next_look_s, *ends]) - now_s
        running = self.dispatcher.tally.running.values()
        if any(not run.verdict_told for run in running):
            return VERDICT_S
        return min(RUNNING_S if running else IDLE_S, max(VERDICT_S, due))

    # --- telling ----------------------------------------------------------------------------------

    def status(self) -> Status:
        """What the service is doing."""
        scan = self.intake.scan
        return Status(
            mode=self._mode.name,
            mode_reason=self._mode.why,
            offline=self.offline,
            waiting=tuple(Waiting(a.origin, a.standing.value) for a in self.intake.arrivals),
            refused=tuple(Waiting(r.path, r.reason) for r in scan.refused),
            unreadable=tuple(Waiting(r.path, r.reason) for r in scan.unreadable),
            ignored=scan.ignored,
            ignored_example=scan.ignored_example,
            short_of_space=self.dispatcher.short_of_space,
        )

    def status_line(self) -> str:
        """The same in one line."""
        counts: Mapping[State, int] = {}
        with contextlib.suppress(SidekeepError):  # the ledger's fault was told already
            counts = self._ledger.counts()
        return line(counts, self.status(), self.dispatcher.progress())

    def _tell(self) -> None:
        try:
            if not self.offline:
                self.reporter.page_if_old(self._shared.missing)
            self.reporter.figures(self.status())
        except (SidekeepError, OSError) as error:
            self._fault("service.cannot_tell", error)

    def _fault(self, event: str, error: SidekeepError | OSError) -> None:
        message, advice = told(error)
        self._next_look_s = self._clock.monotonic_s() + STUCK_S
        self._log.error(event, why=message, next=f"tried again in {STUCK_S:.0f} s", advice=advice)
