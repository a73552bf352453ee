"""Whole jobs: what comes out is measured with tools that are not ours."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import mutagen
import numpy as np
import pyebur128
import pytest
import soundfile
import yaml

from acts_rig import JOB, TITLES, Bench, rules, sheet, small_side
from composer import ComposedSide
from sidekeep.job import run
from sidekeep.report.summary import summarise
from sidekeep.service.returning import Change, redo
from sidekeep.storage.order import write_order
from sidekeep.storage.publish import publish

ALL_FORMATS = """\
extends: default
deliver:
  - {format: flac, bits: 24}
  - {format: flac, bits: 16, rate: 48 kHz}
  - {format: aiff, bits: 16}
  - {format: wav, bits: 24}
  - {format: mp3, quality: 6}
  - {format: ogg, quality: 6}
  - {format: opus, quality: 6}
"""


@pytest.fixture(scope="module")
def side() -> ComposedSide:
    return small_side()


def true_peak_dbtp(path: Path) -> float:
    """libebur128's true peak, an independent implementation of BS.1770-5 Annex 2."""
    samples, rate_hz = soundfile.read(path, dtype="float64", always_2d=True)
    state = pyebur128.R128State(samples.shape[1], rate_hz, pyebur128.MeasurementMode.MODE_TRUE_PEAK)
    state.add_frames(np.ascontiguousarray(samples).ravel(), samples.shape[0])
    peaks = [pyebur128.get_true_peak(state, channel) for channel in range(samples.shape[1])]
    return float(20 * np.log10(max(peaks)))


def integrated_lufs(path: Path) -> float:
    """libebur128's integrated loudness."""
    samples, rate_hz = soundfile.read(path, dtype="float64", always_2d=True)
    state = pyebur128.R128State(samples.shape[1], rate_hz, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(samples).ravel(), samples.shape[0])
    return float(pyebur128.get_loudness_global(state))


@pytest.fixture(scope="module")
def done(side: ComposedSide, tmp_path_factory: pytest.TempPathFactory) -> Bench:
    path = tmp_path_factory.mktemp("filed")
    bench = Bench(path / "root", side, sheet(*TITLES))
    result = bench.run(rules(path / "rules", default=ALL_FORMATS))
    assert result.outcome == "staged", result
    return bench


class TestFiled:
    def test_every_copy_of_every_track_is_there(self, done: Bench) -> None:
        names = [path.name for path in done.tracks()]
        assert len(names) == 14
        for title in TITLES:
            assert sum(title in name for name in names) == 7

    def test_lossless_copies_reach_the_peak_that_was_asked_for(self, done: Bench) -> None:
        # Peak rules by default: -0.3 dBTP, reached by the louder track of the side; libebur128
        # interpolates by four at this rate and may read low by up to 0.2 dB on such material.
        peaks = [true_peak_dbtp(path) for path in done.tracks() if path.suffix == ".wav"]
        assert max(peaks) == pytest.approx(-0.3, abs=0.1)
        assert max(peaks) <= -0.3 + 0.05

    def test_a_copy_at_another_rate_reaches_the_peak_too(self, done: Bench) -> None:
        peaks = [
            true_peak_dbtp(path)
            for path in done.tracks()
            if path.suffix in {".flac", ".aiff"} and soundfile.info(path).samplerate != 44_100
        ]
        assert peaks
        assert -0.4 <= max(peaks) <= -0.3 + 0.05

    @pytest.mark.parametrize("suffix", [".mp3", ".ogg", ".opus"])
    def test_lossy_copies_stay_below_the_ceiling(self, done: Bench, suffix: str) -> None:
        peaks = [true_peak_dbtp(path) for path in done.tracks() if path.suffix == suffix]
        assert len(peaks) == 2
        assert max(peaks) <= -0.3

    def test_joined_tracks_are_the_trimmed_side(self, side: ComposedSide, done: Bench) -> None:
        wavs = [path for path in done.tracks() if path.suffix == ".wav"]
        joined = np.concatenate([soundfile.read(path, dtype="float64")[0] for path in wavs])
        plan = yaml.safe_load((done.stage / "jobs" / JOB / "plan.yaml").read_text())["decided"]
        start, end = plan["sides"][0]["trimmed"]["frames"]
        original = np.round(side.samples.T * 2**23)[start:end] / 2**23
        assert joined.shape == original.shape
        middle = slice(44_100, -3 * 44_100)  # away from the side's own fades
        gain = 10 ** (np.array(plan["sides"][0]["tracks"][0]["gain_db"]) / 20)
        # Left: rounding and dither, at most 1.5 steps of a 24-bit word.
        assert np.abs(joined - original * gain)[middle].max() <= 1.6 / 2**23

    @pytest.mark.skipif(shutil.which("flac") is None, reason="the flac tool is missing")
    def test_flac_passes_the_reference_decoder(self, done: Bench) -> None:
        # RFC 9639 §8.2: the MD5 in STREAMINFO is that of the decoded audio.
        for path in done.tracks():
            if path.suffix == ".flac":
                subprocess.run(["flac", "--test", "--silent", path], check=True)

    @pytest.mark.skipif(shutil.which("sha256sum") is None, reason="coreutils are missing")
    def test_sha256sum_accepts_the_manifest(self, side: ComposedSide, tmp_path: Path) -> None:
        bench = Bench(tmp_path / "root", side, sheet(*TITLES))
        recording = (bench.folder / "recording" / "A.wav").read_bytes()
        assert bench.run(rules(tmp_path / "rules")).outcome == "staged"
        publish(bench.root, JOB)
        manifest = f"jobs/{JOB}/manifest.sha256"
        checked = subprocess.run(
            ["sha256sum", "-c", "--strict", manifest],
            cwd=bench.root.archive,
            capture_output=True,
            text=True,
            check=False,
        )
        assert checked.returncode == 0, checked.stdout
        masters = list(bench.root.masters.rglob("*.wav"))
        assert [path.read_bytes() for path in masters] == [recording]
        assert not (bench.root.work / JOB).exists()

    def test_the_log_holds_every_decision_with_its_numbers(self, done: Bench) -> None:
        log = (done.stage / "jobs" / JOB / "log.jsonl").read_text().splitlines()
        events = {json.loads(line)["event"]: json.loads(line) for line in log}
        assert {"started", "measured", "rule_set_chosen", "level_set", "verdict", "decided"} <= set(
            events
        )
        assert isinstance(events["level_set"]["gain_db"], float)


class TestSameInputSameBytes:
    def test_two_runs_agree_whatever_the_day(self, side: ComposedSide, tmp_path: Path) -> None:
        hashes = []
        for name in ("one", "two"):
            bench = Bench(tmp_path / name, side, sheet(*TITLES))
            bench.run(rules(tmp_path / "rules", default=ALL_FORMATS))
            files = bench.tracks()
            hashes.append({p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in files})
        assert hashes[0] == hashes[1]


class TestLoudness:
    def test_loudness_rules_when_asked(self, side: ComposedSide, tmp_path: Path) -> None:
        bench = Bench(tmp_path / "root", side, sheet(*TITLES))
        write_order(bench.folder, replace(bench.order, rules="even"))
        wanted = "extends: default\nlevel: {loudness: -24 LUFS, per: track}\n"
        bench.run(rules(tmp_path / "rules", even=wanted))
        for path in bench.tracks():
            assert integrated_lufs(path) == pytest.approx(-24.0, abs=0.05)


class TestHeld:
    def test_a_sheet_that_disagrees_holds_the_job_with_a_proposal(
        self, side: ComposedSide, tmp_path: Path
    ) -> None:
        bench = Bench(tmp_path / "root", side, sheet("Slack Water", "Ebb", "Neap", "Spring"))
        result = bench.run(rules(tmp_path / "rules"))
        assert result.outcome == "held"
        assert (bench.folder / "report.html").exists()
        assert yaml.safe_load((bench.folder / "plan.yaml").read_text())["sides"][0]["tracks"]

    def test_a_corrected_plan_goes_on_without_measuring(
        self, side: ComposedSide, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        bench = Bench(tmp_path / "root", side, sheet("Slack Water", "Ebb", "Neap", "Spring"))
        rule_sets = rules(tmp_path / "rules")
        bench.run(rule_sets)
        corrected = (
            "sides:\n- side: A\n  end: 0:58.5\n  tracks:\n"
            "  - {start: 0:05.25, title: One}\n  - {start: 0:30.5, title: Two}\n"
        )
        (bench.folder / "plan.yaml").write_text(corrected, encoding="utf-8")
        write_order(bench.folder, replace(bench.order, plan="plan.yaml"))
        monkeypatch.setattr("sidekeep.study.measure", lambda *_: pytest.fail("measured again"))
        assert bench.run(rule_sets).outcome == "staged"
        lengths = {path.name: soundfile.info(path).frames for path in bench.tracks()}
        assert lengths == {
            "A1 One.flac": round(30.5 * 44_100) - round(5.25 * 44_100),
            "A2 Two.flac": round(58.5 * 44_100) - round(30.5 * 44_100),
        }


class TestDoneAgain:
    @pytest.fixture
    def filed(self, side: ComposedSide, tmp_path: Path) -> Bench:
        bench = Bench(tmp_path / "root", side, sheet(*TITLES))
        bench.run(rules(tmp_path / "rules"))
        publish(bench.root, JOB)
        return bench

    def test_a_corrected_sheet_changes_names_and_tags_without_rendering(
        self, filed: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        before = sorted(filed.root.music.rglob("*.flac"))
        sounds = [soundfile.read(path, dtype="int32")[0] for path in before]
        corrected = tmp_path / "corrected.yaml"
        corrected.write_text(sheet("Slack Tide", "Ebb"), encoding="utf-8")
        name = redo(filed.root, JOB, Change(sheet=corrected), "20260102")
        for act in ("sidekeep.job.render", "sidekeep.study.measure"):
            monkeypatch.setattr(act, lambda *_, act=act: pytest.fail(f"{act} was called"))
        assert run(filed.root, name, rules(tmp_path / "rules")).outcome == "staged"
        assert [path.exists() for path in before] == [True, True]  # until the new one is committed
        publish(filed.root, name)
        after = sorted(filed.root.music.rglob("*.flac"))
        assert [path.name for path in after] == ["A1 Slack Tide.flac", "A2 Ebb.flac"]
        assert mutagen.File(after[0])["title"] == ["Slack Tide"]
        for sound, path in zip(sounds, after, strict=True):
            assert np.array_equal(sound, soundfile.read(path, dtype="int32")[0])
        assert [path.name for path in filed.root.masters.rglob("*.wav")] == ["A.wav"]

    def test_another_rule_set_starts_from_the_master(self, filed: Bench, tmp_path: Path) -> None:
        name = redo(filed.root, JOB, Change(rules="quiet"), "20260102")
        quiet = "extends: default\nlevel: {peak: -12 dBTP}\n"
        assert run(filed.root, name, rules(tmp_path / "rules", quiet=quiet)).outcome == "staged"
        publish(filed.root, name)
        peaks = [true_peak_dbtp(path) for path in filed.root.music.rglob("*.flac")]
        assert len(peaks) == 2
        assert max(peaks) == pytest.approx(-12.0, abs=0.1)


class TestSummary:
    def test_looking_gives_every_promised_key(self, side: ComposedSide, tmp_path: Path) -> None:
        from sidekeep.look import study  # noqa: PLC0415
        from sidekeep.study import Case  # noqa: PLC0415

        bench = Bench(tmp_path / "root", side, sheet(*TITLES))
        case = Case("x", (bench.folder / "recording/A.wav",), sheet=bench.folder / "sheet/A.yaml")
        plan, _ = study(case, rules(tmp_path / "rules"))
        told = json.loads(json.dumps(summarise(plan)))
        assert told["recording"]["rate_hz"] == 44_100
        assert len(told["recording"]["sha256"]) == 64
        assert {"start_s", "end_s"} <= set(told["programme"])
        assert [track["title"] for track in told["tracks"]] == list(TITLES)
        truth = side.truth.tracks
        for track, true in zip(told["tracks"], truth, strict=True):
            assert track["music_start_s"] <= true.audible_start_s + 0.05
            assert (
                track["start_s"] <= track["music_start_s"] < track["music_end_s"] <= track["end_s"]
            )
        assert {"measured_db", "applied_db", "evidence", "reason"} <= set(told["balance"])
        assert {
            "integrated_lufs",
            "range_lu",
            "true_peak_dbtp",
            "sample_peak_dbfs",
            "gain_db",
        } <= set(told["level"])
        assert told["verdict"] in {"good", "listen", "again"}
        assert told["outcome"] in {"file", "hold"}
        assert isinstance(told["reasons"], list)
