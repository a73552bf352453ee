"""Transfers that are not one side in one file with its sheet beside it, from recording to cuts."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
import soundfile
import yaml

from acts_rig import JOB, TITLES, Bench, rules, sheet, small_side
from composer import ComposedSide, join, sheet_text, write
from sidekeep.look import look, study
from sidekeep.model import Outcome, Plan
from sidekeep.storage.order import write_order
from sidekeep.study import Case

TOLERANCE_S = 0.25


@pytest.fixture(scope="module")
def side() -> ComposedSide:
    return small_side()


def planned(*paths: Path, sheet_path: Path | None = None) -> Plan:
    plan, _ = study(Case("x", paths, sheet=sheet_path), rules(paths[0].parent / "rules"))
    return plan


def cuts_s(plan: Plan, place: int = 0) -> list[float]:
    return [plan.seconds(track.span.start) for track in plan.sides[place].tracks[1:]]


def test_both_sides_in_one_recording_are_cut_under_one_sheet(
    side: ComposedSide, tmp_path: Path
) -> None:
    both = join(side, side, between_s=6.0)
    titles = {"A": [("Slack Water", None), ("Ebb", None)], "B": [("Neap", None), ("Bore", None)]}
    text = sheet_text(artist="Marlow and the Tide Tables", title="Low Water", sides=titles, rpm=33)
    bench = Bench(tmp_path / "root", both, text)
    assert bench.run(rules(tmp_path / "rules")).outcome == "staged"
    assert [path.name for path in bench.tracks()] == [
        "A1 Slack Water.flac",
        "A2 Ebb.flac",
        "B1 Neap.flac",
        "B2 Bore.flac",
    ]
    decided = yaml.safe_load((bench.stage / "jobs" / JOB / "plan.yaml").read_text())["decided"]
    first, second, third, fourth = both.truth.tracks
    for told, (before, after) in zip(
        decided["sides"], ((first, second), (third, fourth)), strict=True
    ):
        cut_s = told["tracks"][1]["span"]["frames"][0] / both.rate_hz
        assert before.audible_end_s - TOLERANCE_S <= cut_s <= after.audible_start_s + TOLERANCE_S
        start_s, end_s = (frame / both.rate_hz for frame in told["trimmed"]["frames"])
        assert start_s <= before.audible_start_s
        assert end_s >= after.audible_end_s


def test_a_side_in_several_files_is_cut_as_if_it_were_one(
    side: ComposedSide, tmp_path: Path
) -> None:
    whole = tmp_path / "whole.wav"
    write(side, whole)
    samples, rate_hz = soundfile.read(whole, dtype="int32", always_2d=True)
    limits = (0, len(samples) // 3 + 17, len(samples) // 2 + 1, len(samples))
    parts = []
    for number in range(3):
        parts.append(tmp_path / f"A-{number + 1}.wav")
        piece = samples[limits[number] : limits[number + 1]]
        soundfile.write(parts[-1], piece, rate_hz, subtype="PCM_24")
    one, several = planned(whole), planned(*parts)
    assert several.outcome is Outcome.FILE
    assert several.recording.frames == one.recording.frames == len(samples)
    assert several.sides == one.sides
    (gap,) = side.truth.gaps
    (cut_s,) = cuts_s(several)
    assert gap[0] - TOLERANCE_S <= cut_s <= gap[1] + TOLERANCE_S


def test_a_sheet_that_comes_later_files_what_waited_for_it(
    side: ComposedSide, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    careful = rules(tmp_path / "rules", default="extends: default\nsplit: {shortest track: 60 s}\n")
    bench = Bench(tmp_path / "root", side, None)
    held = bench.run(careful)
    assert held.outcome == "held"
    assert "shortest allowed" in held.message
    (bench.folder / "sheet").mkdir()
    (bench.folder / "sheet" / "A.yaml").write_text(sheet(*TITLES), encoding="utf-8")
    write_order(bench.folder, replace(bench.order, sheet="sheet/A.yaml"))
    monkeypatch.setattr("sidekeep.study.measure", lambda *_: pytest.fail("measured again"))
    assert bench.run(careful).outcome == "staged"
    assert [path.name for path in bench.tracks()] == ["A1 Slack Water.flac", "A2 Ebb.flac"]


def test_plan_log_and_look_say_how_sure_every_cut_is_and_why(
    side: ComposedSide, tmp_path: Path
) -> None:
    bench = Bench(tmp_path / "root", side, sheet(*TITLES))
    recording, sheet_path = bench.folder / "recording/A.wav", bench.folder / "sheet/A.yaml"
    looked = look(recording, sheet=sheet_path, side="A")["tracks"]
    assert bench.run(rules(tmp_path / "rules")).outcome == "staged"
    folder = bench.stage / "jobs" / JOB
    lines = [json.loads(line) for line in (folder / "log.jsonl").read_text().splitlines()]
    (logged,) = [line for line in lines if line["event"] == "cut"]
    text = (folder / "plan.yaml").read_text()
    assert len(looked) == 2
    assert 0.5 < looked[1]["certainty"] <= 1
    for word in ("gap of", "groove noise", "stereo image", "notes", "tempo", "beat"):
        assert word in looked[1]["why"]
        assert word in logged["why"]
        assert word in text
    assert logged["certainty"] == pytest.approx(looked[1]["certainty"], abs=1e-3)
