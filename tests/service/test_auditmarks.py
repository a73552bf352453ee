"""Whose turn it is to be checked."""

from __future__ import annotations

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


def test_a_new_job_comes_first(root: Root) -> None:
    marks = Marks(root)
    for job in JOBS:
        marks.note(job, 5.0, 0)
    assert marks.share([*JOBS, "newcomer"], 100) == ["newcomer"]


def test_the_figures_tell_age_and_faults(root: Root) -> None:
    marks = Marks(root)
    marks.note("job 00", 70.0, 0)
    marks.note("job 01", 50.0, 2)
    marks.note("gone", 10.0, 9)
    assert marks.save(["job 00", "job 01"]) == AuditFigures(50.0, 2)
    assert read_figures(root) == AuditFigures(50.0, 2)


def test_while_a_job_was_never_checked_there_is_no_age(root: Root) -> None:
    marks = Marks(root)
    marks.note("job 00", 70.0, 0)
    assert marks.save(["job 00", "job 01"]) == AuditFigures(None, 0)


def test_lost_or_spoilt_marks_mean_only_that_all_is_checked_again(root: Root) -> None:
    assert read_figures(root) == AuditFigures()
    (root.state / "audit.json").write_text('{"job 00": {"checked_s": "never"}, "job 01": 3}')
    assert Marks(root).share(JOBS, 61) == ["job 00"]
