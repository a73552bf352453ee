"""Telling: the ledger, the log, the archive's page, the figures and the status, kept up to date."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta

from sidekeep.report.archive_page import ArchiveState, JobLine, MissingSides, archive_page
from sidekeep.service import metrics, status
from sidekeep.service.auditmarks import read_figures
from sidekeep.service.clock import Clock
from sidekeep.service.conclusions import Conclusion
from sidekeep.service.inbox import Scan
from sidekeep.service.ledger import Entry, Ledger
from sidekeep.service.logs import Log
from sidekeep.service.metrics import Figures
from sidekeep.service.states import State
from sidekeep.service.status import STATUS_NAME, Status
from sidekeep.storage.durable import write_atomically
from sidekeep.storage.faults import LATER
from sidekeep.storage.folders import Root
from sidekeep.storage.jobfiles import Progress
from sidekeep.storage.publication import PAGE_NAME
from sidekeep.storage.publish import Recovered

METRICS_NAME = "metrics.prom"
METRICS_EVERY_S = 15.0  # unless something else than a time has changed
NEWEST_ON_PAGE = 50


class Reporter:
    """Writes down what happens; never decides anything."""

    def __init__(
        self,
        root: Root,
        ledger: Ledger,
        clock: Clock,
        log: Log,
        concluded: Callable[[Entry], None] = lambda _: None,
    ) -> None:
        self._root = root
        self._ledger = ledger
        self._clock = clock
        self._log = log
        self._told: set[tuple[str, str]] = set()
        self._last_status: Status | None = None
        self._last_scan_s: float | None = None
        self._figures_are_old = True
        self._figures_at_s = 0.0
        self._concluded = concluded
        self._missing: dict[str, tuple[str, ...]] = {}
        self._page_is_old = True

    def stamp(self) -> str:
        """The wall time as it stands in ledger and reasons."""
        return self._clock.now().isoformat(timespec="seconds")

    def scanned(self, scan: Scan) -> None:
        """Note a look at the inbox; what is refused or unreadable is logged once."""
        self._last_scan_s = self._clock.now().timestamp()
        seen: set[tuple[str, str]] = set()
        for event, entries, advice in (
            (
                "inbox.refused",
                scan.refused,
                "Put a plain copy there instead.",
            ),
            ("inbox.unreadable", scan.unreadable, "Check the share and the rights of the service."),
        ):
            for entry in entries:
                seen.add((event, entry.path))
                if (event, entry.path) not in self._told:
                    self._log.warning(
                        event,
                        file=entry.path,
                        why=entry.reason,
                        next="stays where it is, looked at again with every scan",
                        advice=advice,
                    )
        self._told = seen

    def claimed(self, entry: Entry) -> None:
        """A recording has left the inbox and is a job."""
        self._put(entry)
        self._log.info("job.claimed", job=entry.job, file=entry.origin, bytes=entry.bytes)

    def started(self, job: str) -> None:
        """A worker has taken a job in hand."""
        self._ledger.move(job, State.RUNNING, self.stamp())
        self._figures_are_old = True
        self._log.info("job.started", job=job)

    def verdict(self, job: str, progress: Progress) -> None:
        """The verdict is known, while the tracks are still being written."""
        # First said, then kept: the disk may be busy with the recording for a while.
        self._log.info("job.verdict", job=job, verdict=progress.verdict, sentence=progress.sentence)
        entry = self._ledger.get(job)
        if entry is not None:
            told = replace(entry, verdict=progress.verdict, sentence=progress.sentence)
            self._ledger.put(told)

    def concluded_as(self, job: str, conclusion: Conclusion, next_try_s: float | None) -> None:
        """A job has reached a state; say what, which file, why, what next, and what to do."""
        entry = self._ledger.get(job) or Entry(job, conclusion.state)
        entry = replace(
            entry,
            state=conclusion.state,
            message=self._when(conclusion.message, next_try_s),
            advice=conclusion.advice,
        )
        if conclusion.result is not None:
            names = ("artist", "title", "side", "verdict", "sentence", "sha256", "audio_sha256")
            texts = {name: getattr(conclusion.result, name) for name in names}
            known = {name: text for name, text in texts.items() if text}
            duration_s = conclusion.result.duration_s or entry.duration_s
            entry = replace(entry, duration_s=duration_s, **known)
        self._put(entry)
        if conclusion.supersedes:
            self.vanished(conclusion.supersedes)
        self._page_is_old = True
        self._log_conclusion(entry, conclusion, next_try_s)
        self._concluded(entry)

    def waits_for_space(self, job: str, why: str) -> None:
        """The disk has no room for the next job."""
        entry = self._ledger.get(job)
        self._log.warning(
            "job.waits_for_space",
            job=job,
            file=entry.origin if entry else "",
            why=why,
            next="it starts by itself when there is room",
            advice="Free some space on the archive's disk, or lower 'free space' in the settings.",
        )

    def recovered(self, recovered: Recovered) -> None:
        """A stage was found when the service started, and brought to an end if that was possible."""
        if recovered.done == "stuck":
            self._log.error(
                "job.stuck",
                job=recovered.job,
                why=recovered.why,
                next="its stage is left as it is; tried again when the service starts",
                advice=recovered.advice,
            )
        else:
            self._log.info("job.recovered", job=recovered.job, done=recovered.done)

    def vanished(self, job: str) -> None:
        """A job is no longer where it was; a person took it away, or a newer job its place."""
        self._ledger.remove(job)
        self._figures_are_old = True
        self._log.info("job.vanished", job=job)

    def returned(self, entry: Entry, why: str) -> None:
        """A job is back in `work/`, at a person's word or because its sheet has come."""
        self._put(entry)
        self._page_is_old = True
        self._log.info("job.returned", job=entry.job, file=entry.origin, why=why)

    def _when(self, message: str, next_try_s: float | None) -> str:
        """Say when a deferred job is tried again, where the message only says that it is."""
        if next_try_s is None:
            return message
        at = self._clock.now() + timedelta(seconds=next_try_s)
        said = message.removesuffix(LATER).rstrip(" .")
        return f"{said}. It is tried again after {at:%H:%M} UTC."

    def _put(self, entry: Entry) -> None:
        self._ledger.put(replace(entry, changed_at=self.stamp()))
        self._figures_are_old = True

    def _log_conclusion(
        self, entry: Entry, conclusion: Conclusion, next_try_s: float | None
    ) -> None:
        facts: dict[str, object] = {"job": entry.job, "file": entry.origin}
        if conclusion.message:
            facts["why"] = "; ".join(conclusion.message.splitlines())
        facts["next"] = _next(conclusion.state, next_try_s)
        if conclusion.advice:
            facts["advice"] = conclusion.advice
        if conclusion.state is State.FILED:
            facts |= {"tracks": list(conclusion.tracks), "masters": list(conclusion.masters)}
            facts["verdict"] = entry.verdict
            self._log.info("job.filed", **facts)
        elif conclusion.twin:
            self._log.warning("job.duplicate", filed_as=conclusion.twin, **facts)
        else:
            self._log.warning(f"job.{conclusion.state}", **facts)

    def page_if_old(self, missing: Mapping[str, tuple[str, ...]]) -> None:
        """Write the archive's page anew when a job has come to an end since.

        Raises:
            OSError: it cannot be written.
        """
        if not self._page_is_old and dict(missing) == self._missing:
            return
        disk = os.statvfs(self._root.archive)

        def lines(state: State, newest: int | None = None) -> list[JobLine]:
            return [_line(self._root, e) for e in self._ledger.in_state(state, newest=newest)]

        state = ArchiveState(
            written_at=self.stamp(),
            filed=self._ledger.counts()[State.FILED],
            newest=lines(State.FILED, newest=NEWEST_ON_PAGE),
            held=lines(State.HELD),
            quarantined=lines(State.QUARANTINED),
            missing=[MissingSides(record, sides) for record, sides in sorted(missing.items())],
            bytes_free=disk.f_bavail * disk.f_frsize,
            bytes_total=disk.f_blocks * disk.f_frsize,
        )
        page = archive_page(state).encode("utf-8", "replace")
        write_atomically(self._root.archive / "index.html", page)
        self._page_is_old = False
        self._missing = dict(missing)

    def figures(self, now: Status) -> None:
        """Write the status file, if it changed, and the metrics, if they did or some time is over.

        Raises:
            OSError: they cannot be written.
        """
        now_s = self._clock.monotonic_s()
        if now != self._last_status:
            status.write_status(self._root.state / STATUS_NAME, now)
            self._last_status = now
            self._figures_are_old = True
        if self._figures_are_old or now_s - self._figures_at_s >= METRICS_EVERY_S:
            metrics.write(self._root.state / METRICS_NAME, self._figures(now))
            self._figures_are_old = False
            self._figures_at_s = now_s

    def _figures(self, now: Status) -> Figures:
        try:
            disk = os.statvfs(self._root.archive)
            free = disk.f_bavail * disk.f_frsize
        except OSError:
            free = 0
        filed_at = self._ledger.last_filed_at()
        audit = read_figures(self._root)
        return Figures(
            jobs=self._ledger.counts(),
            waiting_files=len(now.waiting),
            ignored_files=now.ignored,
            free_bytes=free,
            offline=bool(now.offline),
            last_success_s=datetime.fromisoformat(filed_at).timestamp() if filed_at else None,
            last_scan_s=self._last_scan_s,
            audit_oldest_s=audit.oldest_s,
            audit_errors=audit.errors,
        )


def _next(state: State, next_try_s: float | None) -> str:
    if state is State.DEFERRED and next_try_s is not None:
        return f"tried again in {_minutes(next_try_s)}"
    return {
        State.FILED: "nothing",
        State.HELD: "waits in held/ for a person",
        State.QUARANTINED: "waits in quarantine/ for a person",
    }.get(state, "waits in the queue")


def _minutes(seconds: float) -> str:
    return f"{seconds / 60:.0f} min"


def _line(root: Root, entry: Entry) -> JobLine:
    record = " – ".join(text for text in (entry.artist, entry.title) if text)
    link = f"jobs/{entry.job}/{PAGE_NAME}" if entry.state is State.FILED else ""
    if entry.state is State.HELD and (root.held / entry.job / PAGE_NAME).exists():
        link = f"../held/{entry.job}/{PAGE_NAME}"
    judged = entry.state is not State.QUARANTINED  # of a copy the verdict is of no use
    home = {State.HELD: "held", State.QUARANTINED: "quarantine"}.get(entry.state)
    return JobLine(
        job=entry.job,
        record=record or entry.origin,
        side=entry.side,
        verdict=entry.verdict if judged else "",
        sentence=entry.sentence if judged else "",
        message=entry.message,
        advice=entry.advice,
        when=entry.changed_at,
        link=link,
        folder=f"{home}/{entry.job}/" if home else "",
    )
