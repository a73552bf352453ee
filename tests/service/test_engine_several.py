"""The engine with several workers: in what order, on how many cores, and one fault among them."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from service_rig import rig_at
from sidekeep.errors import MachineFault
from sidekeep.service.executor import Ending
from sidekeep.service.ledger import Entry
from sidekeep.service.states import State

pytestmark = pytest.mark.usefixtures("_nothing_needs_to_outlive_a_power_cut")


def test_jobs_run_in_order_of_arrival_as_many_as_there_are_workers(tmp_path: Path) -> None:
    rig = rig_at(tmp_path, workers=2)
    for name in ("A.wav", "B.wav", "C.wav"):
        rig.drop(name)
    rig.take_in()
    assert rig.running() == ["20310504-a", "20310504-b"]
    rig.stage("20310504-a")
    rig.end("20310504-a")
    assert rig.running() == ["20310504-b", "20310504-c"]


def test_a_lone_job_has_two_cores_and_jobs_beside_each_other_one_each(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    rig = rig_at(tmp_path, workers=2)

    def cores() -> list[int]:
        return [call.cores for call, _ in rig.executor.calls.values()]

    rig.drop("A.wav")
    rig.take_in()
    assert cores() == [2]
    rig.stage("20310504-a")
    rig.end("20310504-a")
    for name in ("B.wav", "C.wav", "D.wav"):
        rig.drop(name)
    rig.take_in()
    assert cores() == [1, 1]


def test_a_ledger_that_fails_once_lets_no_ended_job_be_forgotten(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = rig_at(tmp_path, workers=2)
    for name in ("A.wav", "B.wav"):
        rig.drop(name)
    rig.take_in()
    jobs = rig.running()
    for job in jobs:
        rig.verdict(job, "good", "A clean transfer.")
        rig.stage(job)
    put, failures = rig.ledger.put, [MachineFault("the disk is full", "make room")]

    def fails_once(entry: Entry) -> None:
        if failures:
            raise failures.pop()
        put(entry)

    monkeypatch.setattr(rig.ledger, "put", fails_once)
    for job in jobs:
        rig.executor.end(job, Ending(0))
    rig.passes(3)
    assert not failures
    assert rig.events_logged("job.returned") == []  # nor begun anew
    assert [rig.state(job) for job in jobs] == [State.FILED, State.FILED]
    assert not list(rig.root.incoming.iterdir())
