"""Which jobs wait, which run, and which pause after a failure."""

from __future__ import annotations

from collections import deque
from concurrent.futures import Future
from dataclasses import dataclass

from sidekeep.service.executor import Ending
from sidekeep.service.pauses import Pauses


@dataclass(slots=True)
class Run:
    """A job that a worker has in hand."""

    future: Future[Ending]
    bytes: int
    verdict_told: bool = False


class Tally:
    """The queue in order of arrival, and what is running; a job is in one of them at most."""

    def __init__(self) -> None:
        self.queue: deque[str] = deque()
        self.running: dict[str, Run] = {}
        self.pauses = Pauses()

    def knows(self, job: str) -> bool:
        """Say whether a job is queued or running."""
        return job in self.queue or job in self.running

    def add(self, job: str) -> None:
        """Queue a job, unless it is known."""
        if not self.knows(job):
            self.queue.append(job)

    def next_due(self, now_s: float) -> str | None:
        """Take the first job whose pause is over; new jobs are not held up by deferred ones."""
        for job in self.queue:
            if self.pauses.over(job, now_s):
                self.queue.remove(job)
                return job
        return None

    def due(self, now_s: float) -> int:
        """How many queued jobs do not pause."""
        return sum(self.pauses.over(job, now_s) for job in self.queue)

    def first_ended(self) -> str | None:
        """The job that was started first of those whose workers have ended."""
        return next((job for job, run in self.running.items() if run.future.done()), None)

    def drop(self, job: str) -> None:
        """Forget a job that has left `work/`."""
        self.pauses.forget(job)
        if job in self.queue:
            self.queue.remove(job)

    @property
    def all_ended(self) -> bool:
        """Whether every worker has ended, concluded or not."""
        return all(run.future.done() for run in self.running.values())

    def rests(self, now_s: float) -> bool:
        """Whether nothing runs and every queued job pauses."""
        return not self.running and not self.due(now_s)
