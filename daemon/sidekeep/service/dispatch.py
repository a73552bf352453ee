"""From the queue to workers, and from their ends to conclusions."""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping
from concurrent.futures import Executor
from concurrent.futures import wait as wait_for
from dataclasses import dataclass

from sidekeep.cores import MOST
from sidekeep.errors import SidekeepError
from sidekeep.preferences import Preferences
from sidekeep.service.clock import Clock
from sidekeep.service.conclusions import Conclusion, Conclusions, deferred, forget_result
from sidekeep.service.executor import Call, Ending, run_worker
from sidekeep.service.limits import Limits, limits_for, space_needed_bytes
from sidekeep.service.reporting import Reporter
from sidekeep.service.states import State
from sidekeep.service.tally import Run, Tally
from sidekeep.service.wake import Bell
from sidekeep.storage.folders import Root
from sidekeep.storage.jobfiles import Progress, read_progress
from sidekeep.storage.order import Order, read_order


@dataclass(frozen=True, slots=True)
class Hands:
    """What works: the executor, and the bell that an ended worker rings."""

    executor: Executor
    bell: Bell


class Dispatcher:
    """Keeps the workers busy with the queue, as far as the disk has room."""

    def __init__(
        self,
        root: Root,
        preferences: Preferences,
        hands: Hands,
        conclusions: Conclusions,
        reporter: Reporter,
        clock: Clock,
    ) -> None:
        self._root = root
        self._preferences = preferences
        self._hands = hands
        self._conclusions = conclusions
        self._reporter = reporter
        self._clock = clock
        self.tally = Tally()
        self.rules = ""
        self.short_of_space = ""

    def collect(self) -> int:
        """Draw conclusions from the workers that have ended; return how many there were.

        One by one: when something cannot be written down, the others wait for the next pass.
        """
        count = 0
        while (job := self.tally.first_ended()) is not None:
            self._tell_verdict(job, self.tally.running[job])
            self.apply(job, self._concluded(job, self.tally.running.pop(job)))
            count += 1
        return count

    def _concluded(self, job: str, run: Run) -> Conclusion:
        if run.future.cancelled():
            return self._conclusions.conclude(job, Ending(None, abandoned=True))
        error = run.future.exception()
        if error is not None:
            message = f"its worker could not be run: {error}"
            return Conclusion(State.DEFERRED, message, "See the system's log.")
        return self._conclusions.conclude(job, run.future.result())

    def apply(self, job: str, conclusion: Conclusion) -> None:
        """Write a conclusion down, and queue the job again where it says so."""
        pause_s = None
        if conclusion.state is State.DEFERRED:
            pause_s = self.tally.pauses.fail(job, self._clock.monotonic_s())
        else:
            self.tally.pauses.forget(job)
        if conclusion.state in (State.QUEUED, State.DEFERRED):
            self.tally.add(job)
        else:
            self.tally.drop(job)
        self._reporter.concluded_as(job, conclusion, pause_s)

    def tell_verdicts(self) -> None:
        """Tell the verdicts that running workers have reached."""
        for job, run in self.tally.running.items():
            self._tell_verdict(job, run)

    def progress(self) -> Mapping[str, Progress]:
        """How far the running jobs are."""
        return {
            job: read_progress(self._root.work / job) or Progress() for job in self.tally.running
        }

    def start_due(self) -> None:
        """Start queued jobs while there are free workers and room on the disk."""
        told, self.short_of_space = self.short_of_space, ""
        while len(self.tally.running) < self._preferences.workers:
            job = self.tally.next_due(self._clock.monotonic_s())
            if job is None:
                return
            try:
                started = self._start(job)
            except (SidekeepError, OSError) as error:
                self.apply(job, deferred(error))
                continue
            if not started:
                self.tally.queue.appendleft(job)
                if not told:
                    self._reporter.waits_for_space(job, self.short_of_space)
                return

    def abandon(self, grace_s: float) -> None:
        """End the workers, after a moment for those that are about to end by themselves."""
        wait_for([run.future for run in self.tally.running.values()], timeout=grace_s)
        self._hands.executor.shutdown(wait=True, cancel_futures=True)

    def _start(self, job: str) -> bool:
        """Start a job, or deal with it without a worker; tell False when the disk has no room."""
        folder = self._root.work / job
        if not folder.is_dir():  # a person took it away
            self._reporter.vanished(job)
            return True
        conclusion = self._conclusions.carry_on(job)
        if conclusion is not None:
            self.apply(job, conclusion)
            return True
        size = self._size(job, read_order(folder))
        if not self._has_room(size):
            return False
        forget_result(folder)
        future = self._hands.executor.submit(run_worker, self._call(job, size))
        future.add_done_callback(lambda _: self._hands.bell.ring())
        self.tally.running[job] = Run(future, size)
        self._reporter.started(job)
        return True

    def _call(self, job: str, size: int) -> Call:
        cache = self._root.state / "cache"
        cache.mkdir(exist_ok=True)
        workers = self._preferences.workers
        wanted = len(self.tally.running) + self.tally.due(self._clock.monotonic_s())
        free = (os.cpu_count() or 1) - min(wanted, workers - 1)  # what others will not use
        cores = max(1, min(MOST, workers, free))
        return Call(
            str(self._root.path), job, self._limits(size), self.rules, str(cache), cores=cores
        )

    def _limits(self, size: int) -> Limits:
        memory = int(self._preferences.memory_mb * 1e6)
        return limits_for(size, memory, os.cpu_count() or 1, self._preferences.longest_job_s)

    def _size(self, job: str, order: Order) -> int:
        folder = self._root.work / job
        return sum((folder / part).stat().st_size for part in order.parts)

    def _has_room(self, size: int) -> bool:
        promised = sum(space_needed_bytes(run.bytes) for run in self.tally.running.values())
        kept = int(self._preferences.free_space_gb * 1e9)
        needed = space_needed_bytes(size) + promised + kept
        free = shutil.disk_usage(self._root.archive).free
        if free < needed:
            self.short_of_space = (
                f"waits for disk space: {free / 1e9:.1f} GB free, {needed / 1e9:.1f} GB needed"
            )
        return free >= needed

    def _tell_verdict(self, job: str, run: Run) -> None:
        if run.verdict_told:
            return
        progress = read_progress(self._root.work / job)
        if progress is not None and progress.verdict:
            run.verdict_told = True
            self._reporter.verdict(job, progress)
