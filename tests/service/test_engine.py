"""The engine, from a dropped file to a filed job and every other end; no time passes."""

from __future__ import annotations

import os
import re
from dataclasses import replace
from pathlib import Path

import pytest

from service_rig import Rig, only_running, recording, rig_at
from sidekeep.service.engine import OFFLINE_S
from sidekeep.service.launch import STILL_HELD
from sidekeep.service.states import State
from sidekeep.storage.folders import MARKER
from sidekeep.storage.order import read_order

pytestmark = pytest.mark.usefixtures("_nothing_needs_to_outlive_a_power_cut")

# --- the good way -------------------------------------------------------------------------------


def test_a_dropped_recording_is_filed(rig: Rig) -> None:
    rig.drop("club/Side A.wav")
    before = rig.recordings()
    rig.take_in()
    job = only_running(rig)
    assert job == "20310504-club-side-a"
    assert not (rig.root.inbox / "club/Side A.wav").exists()
    rig.verdict(job, "good", "A clean transfer.")
    rig.engine.one_pass()
    assert [line["verdict"] for line in rig.events_logged("job.verdict")] == ["good"]
    rig.stage(job)
    rig.end(job)
    assert rig.state(job) is State.FILED
    assert rig.recordings() == before
    assert (rig.root.music / f"{job}.flac").exists()
    assert not (rig.root.work / job).exists()
    (filed,) = rig.events_logged("job.filed")
    assert filed["tracks"] == [f"music/{job}.flac"]
    assert filed["file"] == "club/Side A.wav"
    entry = rig.ledger.get(job)
    assert entry is not None
    assert (entry.artist, entry.side, entry.verdict) == ("Marlow and the Tide Tables", "A", "good")
    assert "Low Water" in (rig.root.archive / "index.html").read_text()


def test_a_verdict_is_told_once_even_when_the_worker_ends_at_once(rig: Rig) -> None:
    rig.drop("A.wav")
    rig.take_in()
    job = only_running(rig)
    rig.verdict(job, "again", "Play it again.")
    rig.stage(job)
    rig.end(job)
    rig.passes(3)
    assert len(rig.events_logged("job.verdict")) == 1


def test_sheet_and_cover_travel_with_their_recording(rig: Rig) -> None:
    rig.drop("A.wav")
    rig.drop("A.yaml", b"artist: Marlow\n")
    rig.drop("A.jpg", b"picture")
    rig.take_in()
    job = only_running(rig)
    order = read_order(rig.root.work / job)
    assert (order.sheet, order.cover) == ("sheet/A.yaml", "cover/A.jpg")
    assert (rig.root.work / job / "sheet/A.yaml").read_bytes() == b"artist: Marlow\n"
    assert sorted(p.name for p in rig.root.inbox.iterdir()) == [MARKER]


def test_a_shared_sheet_serves_both_sides_and_goes_with_the_last(rig: Rig) -> None:
    rig.drop("low/record.yaml", b"sides:\n  A: {tracks: [Slack]}\n  B: {tracks: [Neap]}\n")
    rig.drop("low/cover.jpg", b"picture")
    rig.drop("low/A.wav")
    rig.take_in()
    first = only_running(rig)
    rig.stage(first, side="A")
    rig.end(first)
    rig.take_in()
    assert (rig.root.inbox / "low/record.yaml").exists()
    assert "side B" in (rig.root.archive / "index.html").read_text()
    rig.drop("low/B.wav")
    rig.take_in()
    second = only_running(rig)
    assert read_order(rig.root.work / second).sheet == "sheet/record.yaml"
    rig.stage(second, side="B")
    rig.end(second)
    rig.take_in()
    assert not (rig.root.inbox / "low").exists()
    assert (rig.root.jobs / first / "record.yaml").exists()


def test_a_shared_sheet_that_was_edited_since_stays(rig: Rig) -> None:
    rig.drop("low/record.yaml", b"sides: {A: {tracks: [Slack]}}\n")
    rig.drop("low/A.wav")
    rig.take_in()
    job = only_running(rig)
    rig.drop("low/record.yaml", b"sides: {A: {tracks: [Slack Water]}}\n")
    rig.stage(job)
    rig.end(job)
    rig.take_in()
    assert (rig.root.inbox / "low/record.yaml").exists()


# --- the other ends -----------------------------------------------------------------------------


def test_a_job_that_needs_a_person_is_held(rig: Rig) -> None:
    rig.drop("A.wav")
    rig.take_in()
    job = only_running(rig)
    rig.result(job, "held", "the sheet names 3 tracks, 2 were found", "Correct plan.yaml.")
    rig.end(job)
    assert rig.state(job) is State.HELD
    assert (rig.root.held / job / "recording/A.wav").exists()
    (held,) = rig.events_logged("job.held")
    assert held["why"] == "the sheet names 3 tracks, 2 were found"
    assert held["advice"] == "Correct plan.yaml."
    assert held["next"] == "waits in held/ for a person"


def test_what_is_no_audio_goes_to_quarantine_without_a_worker(rig: Rig) -> None:
    rig.drop("club/holiday.wav", b"<!doctype html><p>not a recording at all")
    rig.take_in(40)
    assert rig.executor.started == []
    (entry,) = rig.ended
    assert entry.state is State.QUARANTINED
    assert "not an audio recording" in entry.message
    reason = (rig.root.quarantine / entry.job / "reason.yaml").read_text()
    assert "club/holiday.wav" in reason
    assert (rig.root.quarantine / entry.job / "recording/holiday.wav").exists()


def test_what_a_worker_cannot_use_goes_to_quarantine(rig: Rig) -> None:
    rig.drop("A.wav")
    rig.take_in()
    job = only_running(rig)
    rig.result(job, "quarantined", "A.wav is silent from end to end.", "Check the cables.")
    rig.end(job)
    assert rig.state(job) is State.QUARANTINED
    assert "silent" in (rig.root.quarantine / job / "reason.yaml").read_text()


def test_a_recording_that_its_recorder_never_finished_is_given_up_after_a_while(rig: Rig) -> None:
    rig.drop("A.wav", recording()[:-100])
    rig.take_in(500)
    assert rig.ended == []
    assert rig.engine.status().waiting[0].why == "its header says that it is not finished"
    rig.passes(200)
    (entry,) = rig.ended
    assert entry.state is State.QUARANTINED
    assert "100 of 4,000 bytes" in entry.message


def test_a_fault_of_the_machine_defers_with_growing_pauses(rig: Rig) -> None:
    rig.drop("A.wav")
    rig.take_in()
    job = only_running(rig)
    for pause_s in (60, 120, 240):
        rig.result(job, "deferred", "Writing failed: the disk is full.", "Free some space.")
        rig.end(job)
        assert rig.state(job) is State.DEFERRED
        assert re.search(
            r"is full\. It is tried again after \d\d:\d\d UTC\.$", rig.ended[-1].message
        )
        assert (rig.root.work / job / "recording/A.wav").exists()
        rig.passes(pause_s - 2)
        assert rig.running() == []
        rig.passes(4)
        assert rig.running() == [job]
    assert [line["next"] for line in rig.events_logged("job.deferred")] == [
        "tried again in 1 min",
        "tried again in 2 min",
        "tried again in 4 min",
    ]
    rig.stage(job)
    rig.end(job)
    assert rig.state(job) is State.FILED


def test_a_deferred_job_does_not_hold_up_the_others(rig: Rig) -> None:
    rig.drop("A.wav")
    rig.drop("B.wav")
    rig.take_in()
    rig.result("20310504-a", "deferred", "the share is gone")
    rig.end("20310504-a")
    assert rig.running() == ["20310504-b"]


def test_a_crash_is_tried_once_more_and_then_quarantined_with_the_signal(rig: Rig) -> None:
    rig.drop("A.wav")
    rig.drop("B.wav")
    rig.take_in()
    rig.end("20310504-a", code=None, signal="SIGSEGV")
    assert rig.state("20310504-a") is State.QUEUED
    assert rig.running() == ["20310504-b"]
    rig.stage("20310504-b")
    rig.end("20310504-b")
    assert read_order(rig.root.work / "20310504-a").attempt == 2
    rig.end("20310504-a", code=None, signal="SIGSEGV")
    assert rig.state("20310504-a") is State.QUARANTINED
    assert "SIGSEGV, 2 times" in (rig.root.quarantine / "20310504-a/reason.yaml").read_text()
    assert rig.state("20310504-b") is State.FILED


def test_a_worker_that_ends_well_without_a_result_has_crashed(rig: Rig) -> None:
    rig.drop("A.wav")
    rig.take_in()
    job = only_running(rig)
    (rig.root.work / job / "result.json").write_text('{"outcome": "nonsense"}')
    rig.end(job)
    assert rig.state(job) is State.RUNNING  # queued, and taken up again in the same pass
    assert read_order(rig.root.work / job).attempt == 2
    assert not (rig.root.work / job / "result.json").exists()


def test_a_job_whose_earlier_worker_lives_on_waits(rig: Rig) -> None:
    rig.drop("A.wav")
    rig.take_in()
    job = only_running(rig)
    rig.end(job, code=STILL_HELD)
    assert rig.state(job) is State.DEFERRED
    (deferred,) = rig.events_logged("job.deferred")
    assert "earlier worker" in deferred["why"]
    assert deferred["next"] == "tried again in 1 min"
    assert "sidekeep.worker" in deferred["advice"]


def test_an_executor_that_breaks_down_defers_the_job(rig: Rig) -> None:
    rig.drop("A.wav")
    rig.take_in()
    job = only_running(rig)
    rig.executor.break_down(job, OSError(11, "Resource temporarily unavailable"))
    rig.engine.one_pass()
    assert rig.state(job) is State.DEFERRED


@pytest.mark.parametrize("same", ["bytes", "audio"])
def test_what_was_filed_before_goes_to_quarantine_with_a_pointer(rig: Rig, same: str) -> None:
    rig.drop("A.wav", recording(seed="first"))
    rig.take_in()
    first = only_running(rig)
    rig.stage(first, audio="decoded")
    rig.end(first)
    rig.drop("again.wav", recording(seed="first" if same == "bytes" else "other"))
    rig.take_in()
    second = only_running(rig)
    rig.stage(second, audio="decoded" if same == "audio" else "differently decoded")
    rig.end(second)
    assert rig.state(second) is State.QUARANTINED
    reason = (rig.root.quarantine / second / "reason.yaml").read_text()
    assert f"filed as: {first}" in reason
    assert list(rig.root.incoming.iterdir()) == []
    assert [p.name for p in rig.root.music.iterdir()] == [f"{first}.flac"]
    assert rig.events_logged("job.duplicate")[0]["filed_as"] == first


# --- room, folders, files -----------------------------------------------------------------------


def test_a_job_waits_for_room_on_the_disk(tmp_path: Path) -> None:
    rig = rig_at(tmp_path, free_space_gb=10_000.0)
    rig.drop("A.wav")
    rig.take_in()
    assert rig.running() == []
    assert "waits for disk space" in rig.engine.status().short_of_space
    assert "waits for disk space" in rig.engine.status_line()
    rig.passes(3)
    (told,) = rig.events_logged("job.waits_for_space")
    assert (told["job"], told["file"]) == ("20310504-a", "A.wav")
    rig.engine.dispatcher._preferences = replace(rig.preferences, free_space_gb=0.0)
    rig.passes(21)
    assert rig.running() == ["20310504-a"]


@pytest.mark.parametrize("gone", ["inbox", "archive"])
def test_without_a_folders_marker_nothing_is_done(rig: Rig, gone: str) -> None:
    rig.take_in()
    away = rig.root.path / f"{gone} away"
    (rig.root.path / gone).rename(away)
    (rig.root.path / gone).mkdir()  # the empty mount point of a share that is away
    if gone == "archive":
        rig.drop("A.wav")
    for _ in range(5):
        rig.clock.turn(OFFLINE_S)
        assert rig.engine.one_pass(woken=True) == OFFLINE_S
    assert rig.executor.started == []
    assert len(rig.events_logged("service.offline")) == 1
    offline = rig.engine.status().offline
    assert str(rig.root.path / gone) in offline
    assert "not mounted" in offline
    assert "Mount the disk or share" in offline
    assert rig.engine.status_line().startswith("offline: ")
    (rig.root.path / gone).rmdir()
    away.rename(rig.root.path / gone)
    if gone == "inbox":
        rig.drop("A.wav")
    rig.take_in()
    assert rig.running() == ["20310504-a"]
    assert rig.engine.offline == ""


def test_an_archive_that_goes_while_a_worker_runs_costs_nothing(rig: Rig) -> None:
    rig.drop("A.wav")
    rig.take_in()
    job = only_running(rig)
    rig.stage(job)
    away = rig.root.path / "archive away"
    rig.root.archive.rename(away)
    rig.end(job)
    rig.passes(30)
    assert rig.ended == []
    away.rename(rig.root.archive)
    rig.passes(6)
    assert rig.state(job) is State.FILED


def test_refused_files_are_logged_once(rig: Rig) -> None:
    (rig.root.inbox / "link.wav").symlink_to("/etc/hostname")
    rig.take_in(30)
    rig.engine.one_pass(woken=True)
    (refused,) = rig.events_logged("inbox.refused")
    assert refused["file"] == "link.wav"
    assert rig.engine.status().refused[0].path == "link.wav"


def test_a_hostile_name_cannot_steer_the_log(rig: Rig) -> None:
    rig.drop('\x1b[2Jside\n{"event": "job.filed"}.wav')
    rig.take_in()
    (line,) = rig.events_logged("job.claimed")
    assert "\x1b" not in line["file"]
    assert "\n" not in line["file"]


def test_a_name_that_is_no_text_is_taken_and_told(rig: Rig) -> None:
    name = os.fsdecode(b"Caf\xe9.wav")
    rig.drop(name)
    rig.take_in()
    (job,) = rig.running()
    rig.result(job, "held", "The sheet disagrees.")
    rig.end(job)
    assert rig.state(job) is State.HELD
    assert "Caf?.wav" in (rig.root.archive / "index.html").read_text(encoding="utf-8")


def test_a_file_too_large_goes_to_quarantine(tmp_path: Path) -> None:
    rig = rig_at(tmp_path, largest_file_gb=1e-6)
    rig.drop("A.wav")
    rig.take_in()
    assert rig.ended[0].state is State.QUARANTINED
    assert "largest file" in rig.ended[0].advice
