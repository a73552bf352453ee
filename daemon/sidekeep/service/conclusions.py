"""What becomes of a job when its worker has ended: filed, held, quarantined, deferred, tried again."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from sidekeep.errors import SidekeepError
from sidekeep.service.executor import Ending
from sidekeep.service.launch import STILL_HELD, TRY_AGAIN
from sidekeep.service.ledger import Ledger
from sidekeep.service.states import State
from sidekeep.storage.folders import Root
from sidekeep.storage.jobfiles import RESULT_NAME, Result, read_result
from sidekeep.storage.order import Order, read_order, write_order
from sidekeep.storage.publication import read_publication
from sidekeep.storage.publish import publish
from sidekeep.storage.quarantine import hold, quarantine
from sidekeep.storage.stage import discard
from sidekeep.storage.withdraw import withdraw

MOST_ATTEMPTS = 2  # a worker that crashed is tried once more


@dataclass(frozen=True, slots=True)
class Conclusion:
    """The new state of a job, what a person should know, and the files it left in the archive.

    `twin` is the filed job with the same recording, `supersedes` the one whose place this one took.
    """

    state: State
    message: str = ""
    advice: str = ""
    result: Result | None = None
    tracks: tuple[str, ...] = ()
    masters: tuple[str, ...] = ()
    twin: str = ""
    supersedes: str = ""


class Conclusions:
    """Draws conclusions and carries them out, by renames only; safe to repeat."""

    def __init__(self, root: Root, ledger: Ledger, now: Callable[[], str]) -> None:
        self._root = root
        self._ledger = ledger
        self._now = now

    def conclude(self, job: str, ending: Ending) -> Conclusion:
        """Say and do what follows from a worker's end."""
        try:
            return self._conclude(job, ending)
        except (SidekeepError, OSError) as error:
            return deferred(error)

    def carry_on(self, job: str) -> Conclusion | None:
        """Go on with a job whose stage is complete; None when there is none and it must be worked on."""
        try:
            if read_publication(self._root, job) is None:
                return None
            # The worker may have died between sealing its stage and saying so.
            notes = self._root.incoming / job / "jobs" / job
            result = read_result(self._root.work / job) or read_result(notes)
            return self._staged(job, result or Result("staged"))
        except (SidekeepError, OSError) as error:
            return deferred(error)

    def give_up(self, job: str, what: str, why: str, advice: str) -> Conclusion:
        """Put a job in quarantine for a reason that the service itself found."""
        try:
            return self._quarantined(job, what, why, advice)
        except (SidekeepError, OSError) as error:
            return deferred(error)

    def _conclude(self, job: str, ending: Ending) -> Conclusion:
        if ending.abandoned or ending.code == STILL_HELD:
            return _not_begun(ending)
        result = read_result(self._root.work / job) if ending.well else None
        if ending.code == TRY_AGAIN:
            result = Result("deferred", str(ending), "Check the disk and the share.")
        if result is None:
            return self._crashed(job, ending)
        if result.outcome == "staged":
            return self._staged(job, result)
        if result.outcome == "held":
            hold(self._root, job)
            return Conclusion(State.HELD, result.message, result.advice, result)
        if result.outcome == "quarantined":
            return self._quarantined(
                job, self._order(job).origin, result.message, result.advice, result
            )
        with contextlib.suppress(SidekeepError):  # the next try empties it again
            discard(self._root, job)
        return Conclusion(State.DEFERRED, result.message, result.advice, result)

    def _staged(self, job: str, result: Result) -> Conclusion:
        order = self._order(job)
        twin = None
        if order.supersedes is None:
            twin = self._ledger.filed_twin(result.sha256, result.audio_sha256, but_not=job)
        if twin is not None and withdraw(self._root, job):
            same = "file" if twin.sha256 == result.sha256 else "audio"
            why = f"The same {same} was filed before, as job {twin.job} ({twin.origin})"
            advice = (
                f"Delete {{where}} if it is a copy. To file it again, run: sidekeep redo {twin.job}"
            )
            return self._quarantined(job, order.origin, why, advice, result, twin.job)
        published = publish(self._root, job)
        return Conclusion(
            State.FILED,
            result=result,
            tracks=published.tracks,
            masters=published.masters,
            supersedes=order.supersedes or "",
        )

    def _crashed(self, job: str, ending: Ending) -> Conclusion:
        order = self._order(job)
        discard(self._root, job)
        if order.attempt < MOST_ATTEMPTS:
            write_order(self._root.work / job, replace(order, attempt=order.attempt + 1))
            return Conclusion(State.QUEUED, f"{ending}; it is tried once more")
        return self._quarantined(
            job,
            order.origin,
            f"{ending}, {order.attempt} times",
            "The file may be damaged in a way that the reader does not survive. Open it in an audio "
            f"editor, save it anew and drop it again; or run: sidekeep retry {job}",
        )

    def _quarantined(
        self,
        job: str,
        what: str,
        why: str,
        advice: str,
        result: Result | None = None,
        twin: str = "",
    ) -> Conclusion:
        advice = advice.replace("{where}", str(self._root.quarantine / job))
        reason = {"what": what, "why": why, "advice": advice, "when": self._now()}
        if twin:
            reason["filed as"] = twin
        if result is not None:
            reason |= {"sha256": result.sha256} if result.sha256 else {}
        quarantine(self._root, job, reason)
        return Conclusion(State.QUARANTINED, why, advice, result, twin=twin)

    def _order(self, job: str) -> Order:
        return read_order(self._root.work / job)


def _not_begun(ending: Ending) -> Conclusion:
    if ending.abandoned:
        why = "its worker was stopped with the service; the next start takes it up again"
        return Conclusion(State.QUEUED, why)
    why = "an earlier worker still holds the job's folder"
    advice = "If it goes on, find and end the processes named sidekeep.worker."
    return Conclusion(State.DEFERRED, why, advice)


def forget_result(folder: Path) -> None:
    """Remove what an earlier try left, so that it is never taken for the next one's result."""
    (folder / RESULT_NAME).unlink(missing_ok=True)


def told(error: SidekeepError | OSError) -> tuple[str, str]:
    """Give what happened and what a person can do, for any error that defers a job."""
    if isinstance(error, SidekeepError):
        return error.message, error.advice
    return str(error), "Check the disk and the share."


def deferred(error: SidekeepError | OSError) -> Conclusion:
    """Conclude from a fault that a job must wait."""
    return Conclusion(State.DEFERRED, *told(error))
