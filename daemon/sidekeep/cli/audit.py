"""Verifies the archive against its manifests: every byte is read from the disk; nothing is changed."""

from __future__ import annotations

import argparse
import contextlib
import time
from collections.abc import Iterable, Sequence
from dataclasses import asdict

from sidekeep.cli import exit_codes
from sidekeep.cli.output import bold, print_json, say
from sidekeep.cli.place import preferences_of, root_of
from sidekeep.cli.progress import Bars
from sidekeep.errors import MachineFault, Refused
from sidekeep.service.auditmarks import Marks
from sidekeep.storage.audit import Checked, Condition, audit, filed_jobs
from sidekeep.storage.folders import Root

SAVE_EVERY_S = 60.0
_ADVICE = {
    Condition.MISSING: "Bring it back from a backup, under the same name.",
    Condition.ROTTEN: "The disk gave back other bytes than were written. Bring the file back from a "
    "backup, and test the disk.",
    Condition.EDITED: "Somebody changed it after it was filed. If that was meant, leave it; "
    "otherwise bring it back from a backup.",
    Condition.MOVED: "Move it back, or leave it where you want it and expect this line.",
    Condition.UNREADABLE: "Look in the system's log; the disk may be failing.",
    Condition.UNLISTED: "It was not filed by Sidekeep. Leave it or move it elsewhere.",
}


def run(arguments: argparse.Namespace) -> int:
    """Check all, some jobs, or one day's share."""
    root = root_of(preferences_of(arguments))
    there = filed_jobs(root)
    unknown = [job for job in arguments.job if job not in there]
    if unknown:
        raise Refused(f"There is no filed job {unknown[0]}.", "See: sidekeep jobs --all")
    marks = Marks(root)
    jobs: Sequence[str] | None = arguments.job or None
    if arguments.within is not None:
        jobs = marks.share(there, max(1, arguments.within))
    found, checked = _check(root, jobs, there, marks)
    counts = dict.fromkeys(Condition, 0)
    for each in found:
        counts[each.condition] += 1
    if arguments.json:
        print_json(
            {
                "jobs": len(there if jobs is None else jobs),
                "files": checked,
                "faults": [asdict(each) for each in found],
            }
        )
    else:
        _tell(found)
        say(f"{len(there if jobs is None else jobs)} jobs, {checked} files, {_words(counts)}.")
    marks.save(there)  # last: who may only read shall see what was found
    return exit_codes.NEEDS_PERSON if found else exit_codes.DONE


def _check(
    root: Root, jobs: Sequence[str] | None, there: Sequence[str], marks: Marks
) -> tuple[list[Checked], int]:
    """Audit, noting every job that was checked; return the faults and the number of files."""
    wanted = there if jobs is None else jobs
    faults_of = dict.fromkeys(wanted, 0)
    found: list[Checked] = []
    checked = 0
    done: dict[str, None] = {}
    bars = Bars()
    saved_s = time.monotonic()
    try:
        for each in audit(root, jobs):
            checked += each.condition is not Condition.UNLISTED
            before = next(reversed(done), "")
            if before and before != each.job and before in faults_of:
                marks.note(before, time.time(), faults_of[before])
                if (
                    time.monotonic() - saved_s >= SAVE_EVERY_S
                ):  # lest a night cut short count for nothing
                    with contextlib.suppress(MachineFault):  # told at the end
                        marks.save(there)
                    saved_s = time.monotonic()
            done[each.job] = None
            bars.told(each.job or "files that no manifest lists", len(done) / (len(wanted) + 1))
            if each.condition is not Condition.OK:
                found.append(each)
                if each.job:
                    faults_of[each.job] += 1
    finally:
        bars.close()
    for job, faults in faults_of.items():
        marks.note(job, time.time(), faults)
    return found, checked


def _tell(found: Iterable[Checked]) -> None:
    for condition in Condition:
        group = [each for each in found if each.condition is condition]
        if group:
            say(bold(f"{condition.upper()} ({len(group)})"))
            for each in group:
                say(f"  {each.path}" + (f": {each.detail}" if each.detail else ""))
            say(f"  {_ADVICE[condition]}")
            say()


def _words(counts: dict[Condition, int]) -> str:
    told = [f"{count} {condition}" for condition, count in counts.items() if count]
    return ", ".join(told) or "all as filed"
