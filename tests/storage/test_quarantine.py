"""A job waits in exactly one place, and comes back from there whole."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from sidekeep.errors import Refused
from sidekeep.storage.folders import Root
from sidekeep.storage.quarantine import hold, quarantine, read_reason, take_back
from sidekeep.storage.stage import Stage
from storage.breaking_calls import Breaker, Crash, breaking
from storage.jobs_on_disk import RECORDING, places_of, put_in_work, seal

JOB = "20240101-a"
REASON = {"what": "A.wav", "why": "cut short: 5 bytes\n# not a comment", "advice": "play it again"}


@pytest.fixture
def root(tmp_path: Path) -> Root:
    root = Root(tmp_path / "root")
    root.prepare()
    put_in_work(root, JOB)
    return root


def test_a_held_job_comes_back(root: Root) -> None:
    Stage(root, JOB).open()
    assert hold(root, JOB) == root.held / JOB
    assert places_of(root, RECORDING) == [f"held/{JOB}/recording/A.wav"]
    assert not list(root.incoming.iterdir())
    assert hold(root, JOB) == root.held / JOB  # twice is once
    assert take_back(root, JOB) == root.work / JOB
    assert places_of(root, RECORDING) == [f"work/{JOB}/recording/A.wav"]


def test_quarantine_keeps_the_reason(root: Root) -> None:
    place = quarantine(root, JOB, REASON)
    assert read_reason(place) == REASON
    assert places_of(root, RECORDING) == [f"quarantine/{JOB}/recording/A.wav"]
    take_back(root, JOB)
    assert places_of(root, RECORDING) == [f"work/{JOB}/recording/A.wav"]


def test_a_job_that_is_being_published_is_not_held(root: Root) -> None:
    seal(root, JOB)
    with pytest.raises(Refused, match="published"):
        hold(root, JOB)
    with pytest.raises(Refused, match="published"):
        quarantine(root, JOB, REASON)


def test_unknown_jobs_are_refused(root: Root) -> None:
    with pytest.raises(Refused):
        hold(root, "never")
    with pytest.raises(Refused):
        take_back(root, "never")


def test_spoilt_reasons_are_empty(tmp_path: Path) -> None:
    (tmp_path / "reason.yaml").write_bytes(b"\xff\xfe{[")
    assert read_reason(tmp_path) == {}
    assert read_reason(tmp_path / "gone") == {}


@pytest.mark.parametrize("after", [False, True])
def test_a_crash_at_any_call_leaves_the_recording_once(
    tmp_path: Path, after: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "fsync", lambda _: None)
    at, broken = 0, True
    while broken:
        at += 1
        root = Root(tmp_path / "root")
        root.prepare()
        put_in_work(root, JOB)
        breaker = Breaker(at, after=after)
        try:
            with breaking(breaker):
                quarantine(root, JOB, REASON)
        except Crash:
            pass
        broken = breaker.broken
        assert len(places_of(root, RECORDING)) == 1
        assert read_reason(quarantine(root, JOB, REASON)) == REASON
        shutil.rmtree(root.path)
    assert at > 4
