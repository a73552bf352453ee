"""Whose turn it is to be checked."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from sidekeep.service.auditmarks import AuditFigures, Marks, read_figures
from sidekeep.storage.folders import Root

JOBS = [f"job {number:02d}" for number in range(61)]


@pytest.fixture
def root(tmp_path: Path) -> Root:
    root = Root(tmp_path / "root")
    root.prepare()
    return root


def test_every_job_has_its_turn_within_the_days(root: Root) -> None:
    checked: list[str] = []
    for day in range(30):
        marks = Marks(root)
        share = marks.share(JOBS, 30)
        for job in share:
            marks.note(job, 1000.0 + day, 0)
        marks.save(JOBS)
        checked += share
    assert set(checked) == set(JOBS)
    assert len(checked) <= 30 * 3


def test_a_job_that_was_just_filed_waits_for_its_turn(root: Root) -> None:
    marks = Marks(root)
    for number, job in enumerate(JOBS):
        marks.note(job, 5.0 + number, 0)
    (root.jobs / "newcomer").mkdir()
    os.utime(root.jobs / "newcomer", (50.5, 50.5))
    assert marks.share(["newcomer", *JOBS], 100) == ["job 00"]
    assert marks.share(["newcomer", *JOBS], 1).index("newcomer") == 46


def test_a_growing_archive_is_checked_within_the_days_all_the_same(root: Root) -> None:
    """Three jobs are filed every day, more than a day's share; time is counted in days."""
    filed: list[str] = []
    last: dict[str, float] = {}
    for day in range(120):
        for number in range(3):
            job = f"{day:03d} {number}"
            (root.jobs / job).mkdir()
            os.utime(root.jobs / job, (day, day))
            filed.append(job)
            last[job] = day
        marks = Marks(root)
        for job in marks.share(filed, 30):
            marks.note(job, float(day), 0)
            last[job] = day
        assert marks.save(filed).oldest_s == min(last.values())
        assert day - min(last.values()) <= 30


def test_the_figures_tell_age_and_faults(root: Root) -> None:
    marks = Marks(root)
    marks.note("job 00", 70.0, 0)
    marks.note("job 01", 50.0, 2)
    marks.note("gone", 10.0, 9)
    assert marks.save(["job 00", "job 01"]) == AuditFigures(50.0, 2)
    assert read_figures(root) == AuditFigures(50.0, 2)


def test_a_job_that_was_never_checked_is_as_old_as_its_filing(root: Root) -> None:
    marks = Marks(root)
    marks.note("job 00", 70.0, 0)
    (root.jobs / "job 01").mkdir()
    os.utime(root.jobs / "job 01", (60.0, 60.0))
    assert marks.save(["job 00", "job 01"]) == AuditFigures(60.0, 0)
    assert Marks(root).save([]) == AuditFigures()


def test_lost_or_spoilt_marks_mean_only_that_all_is_checked_again(root: Root) -> None:
    assert read_figures(root) == AuditFigures()
    (root.state / "audit.json").write_text('{"job 00": {"checked_s": "never"}, "job 01": 3}')
    assert Marks(root).share(JOBS, 61) == ["job 00"]
