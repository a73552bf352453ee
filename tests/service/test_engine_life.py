"""The engine over time: people beside it, stops, crashes, and how often it looks."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from service_rig import Rig, only_running, recording
from sidekeep.service.engine import IDLE_S, RUNNING_S
from sidekeep.service.ledger import Entry
from sidekeep.service.states import State
from sidekeep.storage.folders import MARKER
from sidekeep.storage.order import read_order

pytestmark = pytest.mark.usefixtures("_nothing_needs_to_outlive_a_power_cut")

# --- people at work beside it -------------------------------------------------------------------


def test_a_late_sheet_puts_a_held_job_back_to_work(rig: Rig) -> None:
    rig.drop("low/A.wav")
    rig.take_in()
    job = only_running(rig)
    rig.result(job, "held", "there is no sheet")
    rig.end(job)
    rig.drop("low/record.yaml", b"artist: Marlow\n")
    rig.take_in()
    assert rig.running() == [job]
    order = read_order(rig.root.work / job)
    assert order.sheet == "sheet/record.yaml"
    rig.result(job, "held", "something else")
    rig.end(job)
    rig.take_in(60)
    assert rig.state(job) is State.HELD  # it has its sheet now and is not released again


def test_a_job_that_a_command_moved_back_is_found(rig: Rig) -> None:
    rig.drop("A.wav")
    rig.take_in()
    job = only_running(rig)
    rig.result(job, "held", "uncertain")
    rig.end(job)
    (rig.root.held / job).rename(rig.root.work / job)
    rig.passes(IDLE_S + 1)
    assert rig.running() == [job]


def test_a_queued_job_that_a_person_took_away_is_forgotten(rig: Rig) -> None:
    rig.drop("A.wav")
    rig.drop("B.wav")
    rig.take_in()
    (rig.root.work / "20310504-b").rename(rig.root.path / "mine")
    rig.stage("20310504-a")
    rig.end("20310504-a")
    assert rig.running() == []
    assert rig.state("20310504-b") is None


# --- life and death -----------------------------------------------------------------------------


def test_stopping_leaves_unfinished_jobs_to_the_next_start(rig: Rig) -> None:
    rig.drop("A.wav")
    rig.take_in()
    job = only_running(rig)
    rig.engine.stop(grace_s=0.0)
    assert rig.executor.is_shut
    assert rig.state(job) is State.QUEUED
    assert read_order(rig.root.work / job).attempt == 1
    rig.die()
    rig.begin()
    rig.engine.one_pass()
    assert rig.running() == [job]


@pytest.mark.parametrize("when", ["unsealed", "sealed", "half published", "committed"])
def test_a_service_that_dies_goes_on_where_it_was(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, when: str
) -> None:
    rig.drop("A.wav")
    before = rig.recordings()
    rig.take_in()
    job = only_running(rig)
    if when == "unsealed":
        (rig.root.incoming / job / "music").mkdir(parents=True)
        (rig.root.incoming / job / "music/half.flac").write_bytes(b"half")
    else:
        rig.stage(job)
    if when in {"half published", "committed"}:
        step = "_commit" if when == "half published" else "_tidy"
        with monkeypatch.context() as patch:
            patch.setattr(f"sidekeep.storage.publish.{step}", _die)
            with pytest.raises(KeyboardInterrupt):
                rig.end(job)
    rig.die()
    rig.begin()
    rig.engine.one_pass()
    if when == "unsealed":
        assert rig.running() == [job]
        assert not (rig.root.incoming / job).exists()
        rig.stage(job)
        rig.end(job)
    assert rig.state(job) is State.FILED
    assert rig.recordings() == before
    entry = rig.ledger.get(job)
    assert entry is not None
    assert (entry.verdict, entry.title) == ("good", "Low Water")
    assert list(rig.root.work.iterdir()) == [rig.root.work / MARKER]


def _die(*_: object) -> None:
    raise KeyboardInterrupt


def test_a_duplicate_that_was_sealed_before_a_crash_is_not_published(rig: Rig) -> None:
    rig.drop("A.wav", recording(seed="same"))
    rig.take_in()
    first = only_running(rig)
    rig.stage(first)
    rig.end(first)
    rig.drop("copy.wav", recording(seed="same"))
    rig.take_in()
    second = only_running(rig)
    rig.stage(second)
    rig.die()
    rig.begin()
    rig.engine.one_pass()
    assert rig.state(second) is State.QUARANTINED


def test_a_lost_ledger_is_built_again_from_the_folders(rig: Rig) -> None:
    for name in ("A.wav", "B.wav", "C.wav"):
        rig.drop(name)
    rig.take_in()
    rig.stage("20310504-a")
    rig.end("20310504-a")
    rig.result("20310504-b", "held", "uncertain", "Look.")
    rig.end("20310504-b")
    rig.result("20310504-c", "quarantined", "silent", "Check the cables.")
    rig.end("20310504-c")
    wanted = _comparable(rig)
    rig.die()
    (rig.root.state / "ledger.db").unlink()
    rig.begin()
    rig.engine.one_pass()
    assert _comparable(rig) == wanted
    assert len(wanted) == 3


def _comparable(rig: Rig) -> list[Entry]:
    entries = rig.ledger.in_state(*State)
    return sorted((replace(e, changed_at="") for e in entries), key=lambda entry: entry.job)


# --- pauses -------------------------------------------------------------------------------------


def test_an_idle_service_rests_long_between_passes(rig: Rig) -> None:
    rig.take_in(60)
    assert rig.engine.one_pass() == IDLE_S


def test_a_working_one_looks_soon_for_the_verdict(rig: Rig) -> None:
    rig.drop("A.wav")
    rig.take_in(10)
    assert rig.running() == ["20310504-a"]
    assert rig.engine.one_pass() <= RUNNING_S


def test_files_that_never_get_ready_are_looked_at_rarely(rig: Rig) -> None:
    for number in range(50):
        rig.drop(f"{number}.wav", recording()[:-10])
    rig.take_in(120)
    assert rig.engine.one_pass() > 5.0


def test_the_status_file_and_the_metrics_are_whole(rig: Rig) -> None:
    rig.drop("A.wav")
    rig.drop("letter.txt", b"dear")
    rig.take_in()
    told = json.loads((rig.root.state / "status.json").read_text())
    assert told["ignored"] == 1
    assert told["ignored_example"] == "letter.txt"
    text = (rig.root.state / "metrics.prom").read_text()
    assert text.endswith("# EOF\n")
    assert 'sidekeep_jobs{state="running"} 1\n' in text
    assert "sidekeep_inbox_ignored 1\n" in text
