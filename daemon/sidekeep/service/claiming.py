"""Taking complete recordings out of the inbox, and turning away at once what can never work."""

from __future__ import annotations

from sidekeep.errors import SidekeepError, Unusable
from sidekeep.service.clock import Clock
from sidekeep.service.conclusions import Conclusion, Conclusions, told
from sidekeep.service.intake import Arrival, Intake
from sidekeep.service.ledger import Entry
from sidekeep.service.leftovers import remove_own
from sidekeep.service.logs import Log
from sidekeep.service.pauses import FIRST_S
from sidekeep.service.reconcile import shared_sheet_of
from sidekeep.service.reporting import Reporter
from sidekeep.service.states import State
from sidekeep.storage.claim import NotClaimed, Wanted, claim
from sidekeep.storage.folders import Root
from sidekeep.storage.header import check_acceptable, read_header
from sidekeep.storage.order import Order

CHANGED_S = 5.0  # first pause after a file changed in the very moment of being claimed


class Claiming:
    """Claims arrivals; a file that cannot be claimed now pauses and is tried again."""

    def __init__(
        self,
        root: Root,
        intake: Intake,
        conclusions: Conclusions,
        reporter: Reporter,
        clock: Clock,
        log: Log,
        largest_bytes: float,
    ) -> None:
        self._root = root
        self._intake = intake
        self._conclusions = conclusions
        self._reporter = reporter
        self._clock = clock
        self._log = log
        self._largest_bytes = largest_bytes

    def take(self, arrival: Arrival) -> tuple[str, Conclusion | None] | None:
        """Claim a recording.

        Returns:
            The new job, with a conclusion when it was put in quarantine at once; None when the
            recording stays in the inbox for now.
        """
        order = self._claimed(arrival)
        if order is None:
            return None
        self._intake.taken(arrival)
        self._reporter.claimed(
            Entry(
                order.job,
                State.QUEUED,
                origin=order.origin,
                bytes=arrival.bytes,
                sheet=shared_sheet_of(order),
            )
        )
        self._remove_companions(order, arrival)
        try:
            self._check(order, arrival)
        except Unusable as error:
            return order.job, self._conclusions.give_up(
                order.job, order.origin, error.message, error.advice
            )
        except (SidekeepError, OSError):
            return order.job, None  # its worker meets the same fault and says so
        return order.job, None

    def _claimed(self, arrival: Arrival) -> Order | None:
        companions = arrival.companions
        try:
            return claim(
                self._root,
                [Wanted(part.path, part.stamp) for part in arrival.parts],
                date=self._clock.now().strftime("%Y%m%d"),
                sheet=companions.sheet.path if companions.sheet else None,
                cover=companions.cover.path if companions.cover else None,
            )
        except (SidekeepError, OSError) as error:
            event = "inbox.not_claimed" if isinstance(error, NotClaimed) else "inbox.deferred"
            why, advice = told(error)
            first_s = CHANGED_S if isinstance(error, NotClaimed) else FIRST_S
        pause_s = self._intake.pauses.fail(arrival.origin, self._clock.monotonic_s(), first_s)
        self._log.warning(
            event,
            file=arrival.origin,
            why=why,
            next=f"stays in the inbox, tried again in {pause_s:.0f} s",
            advice=advice or "If it stays there, put a plain copy into the inbox instead.",
        )
        return None

    def _remove_companions(self, order: Order, arrival: Arrival) -> None:
        try:
            remove_own(self._root, order, arrival.companions)
        except OSError as error:
            self._log.warning(
                "inbox.left_behind",
                job=order.job,
                file=error.filename,
                why=error.strerror,
                next="nothing; the job has its own copy",
                advice="Remove the sheet or cover from the inbox yourself.",
            )

    def _check(self, order: Order, arrival: Arrival) -> None:
        """Look at every part's head and size; the worker looks again, and deeper.

        Raises:
            Unusable: it can never be processed.
            OSError: it cannot be read now.
        """
        folder = self._root.work / order.job
        for part, seen in zip(order.parts, arrival.parts, strict=True):
            check_acceptable(read_header(folder / part), seen.name)
        if arrival.bytes > self._largest_bytes:
            raise Unusable(
                f"{arrival.origin} has {arrival.bytes / 1e9:.1f} GB; "
                f"{self._largest_bytes / 1e9:g} GB are taken at most.",
                "Cut it into single sides, or raise 'largest file' in the settings.",
            )
