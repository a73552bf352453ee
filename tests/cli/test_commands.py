"""The commands, on a root where a service has worked."""

from __future__ import annotations

import contextlib
import json
import os
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from service_rig import Rig, rig_at
from sidekeep.cli import audit as audit_command
from sidekeep.cli import exit_codes
from sidekeep.cli.main import main
from sidekeep.errors import MachineFault
from sidekeep.service.auditmarks import Marks
from sidekeep.storage.audit import Checked, Condition, audit
from sidekeep.storage.folders import Root
from sidekeep.storage.order import read_order

FILED, HELD, QUARANTINED = "20310504-a", "20310504-b", "20310504-c"
PLAN = """\
sides:
  - side: A
    end: 0:01.200
    tracks:
      - {start: 0:00.100, title: Slack Water}
decided:
  anything: goes
"""


@pytest.fixture(autouse=True)
def _nothing_needs_to_outlive_a_power_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "fsync", lambda _descriptor: None)


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    """A root with one job filed, one held, one in quarantine."""
    rig = rig_at(tmp_path)
    for name in ("A.wav", "B.wav", "C.wav"):
        rig.drop(name)
    rig.drop("A.yaml", b"artist: Marlow\n")
    rig.take_in()
    rig.stage(FILED)
    (rig.root.work / HELD / "plan.yaml").write_text(PLAN)
    rig.end(FILED)
    rig.result(HELD, "held", "two cuts are uncertain", "Correct plan.yaml.")
    rig.end(HELD)
    rig.result(QUARANTINED, "quarantined", "C.wav is silent.", "Check the cables.")
    rig.end(QUARANTINED)
    return rig


Command = Callable[..., tuple[int, str, str]]


@pytest.fixture
def command(rig: Rig, capsys: pytest.CaptureFixture[str]) -> Command:
    """Run a command on the root; give its exit code and what it printed."""

    def run(*words: str | Path) -> tuple[int, str, str]:
        code = main([*map(str, words), "--root", str(rig.root.path)])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run


def answer(out: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(out)
    return found


# --- jobs ---------------------------------------------------------------------------------------


def test_jobs_are_shown_by_state_with_reason_and_advice(command: Command) -> None:
    code, out, _ = command("jobs")
    assert code == exit_codes.DONE
    for words in (
        "HELD (1)",
        HELD,
        "two cuts are uncertain",
        "QUARANTINED (1)",
        "Check the cables.",
    ):
        assert words in out
    assert re.search(
        rf"FILED \(1\)\n  {FILED}\n +good +Marlow and the Tide Tables – Low Water", out
    )
    assert "\x1b" not in out


def test_jobs_for_programs(command: Command, rig: Rig) -> None:
    rig.drop("D.wav")
    rig.engine.one_pass(woken=True)
    told = answer(command("jobs", "--json")[1])
    assert {job["job"]: job["state"] for job in told["jobs"]} == {
        HELD: "held",
        QUARANTINED: "quarantined",
        FILED: "filed",
    }
    assert told["filed"] == 1
    assert told["service"]["waiting"] == [{"path": "D.wav", "why": "still changing"}]


def test_only_the_newest_filed_jobs_are_shown_unless_all_are_asked_for(
    command: Command, rig: Rig
) -> None:
    entry = rig.ledger.get(FILED)
    assert entry is not None
    for number in range(30):
        rig.ledger.put(
            type(entry)(f"job {number:02d}", entry.state, changed_at=f"2040-{number:02d}")
        )
    out = command("jobs")[1]
    assert "FILED (31)" in out
    assert "job 29" in out
    assert "job 01" not in out
    assert "job 01" in command("jobs", "--all")[1]


def test_a_filed_side_worth_hearing_says_where_in_full(command: Command, rig: Rig) -> None:
    sentence = f"Listen to it: a thump at 7:04, and {'so on and ' * 20}the end."
    entry = rig.ledger.get(FILED)
    assert entry is not None
    rig.ledger.put(replace(entry, verdict="listen", sentence=sentence))
    lines = command("jobs")[1].splitlines()
    assert sentence in " ".join(line.strip() for line in lines)
    assert max(map(len, lines)) <= 100


def test_a_lost_ledger_hides_no_job_that_waits(command: Command, rig: Rig) -> None:
    rig.die()
    (rig.root.state / "ledger.db").unlink()
    out = command("jobs")[1]
    assert "two cuts are uncertain" in out
    assert "C.wav is silent." in out


def test_one_job_in_full(command: Command) -> None:
    out = command("jobs", HELD)[1]
    assert "two cuts are uncertain" in out
    assert f"held/{HELD}" in out
    assert answer(command("jobs", FILED, "--json")[1])["verdict"] == "good"
    assert command("jobs", "no-such-job")[0] == exit_codes.NOT_FOUND


def test_a_folder_that_is_no_root_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["jobs", "--root", str(tmp_path)]) == exit_codes.NOT_FOUND
    assert "not a root of Sidekeep" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


# --- release, retry, redo -----------------------------------------------------------------------


def test_a_held_job_goes_on_with_its_plan(command: Command, rig: Rig) -> None:
    code, out, _ = command("release", HELD)
    assert code == exit_codes.DONE
    assert "No service runs here" in out
    assert read_order(rig.root.work / HELD).plan == "plan.yaml"
    assert not (rig.root.held / HELD).exists()
    rig.passes(21)
    assert rig.running() == [HELD]


@pytest.mark.parametrize(
    ("wrong", "place"),
    [
        (PLAN.replace("title:", "titel:"), ":5:27: "),
        (PLAN.replace("end: 0:01.200", "end: 9:00.000"), ":3:"),
        (PLAN.replace("0:00.100", "0:01.300"), ":3:"),
    ],
    ids=["unknown key", "beyond the recording", "out of order"],
)
def test_a_plan_with_mistakes_is_not_released(
    command: Command, rig: Rig, wrong: str, place: str
) -> None:
    plan = rig.root.held / HELD / "plan.yaml"
    plan.write_text(wrong)
    code, _, err = command("release", HELD)
    assert code == exit_codes.WRITTEN_WRONG
    assert f"{plan}{place}" in err
    assert plan.exists()


def test_a_held_job_is_decided_again_with_another_sheet(
    command: Command, rig: Rig, tmp_path: Path
) -> None:
    sheet = tmp_path / "better.yaml"
    sheet.write_text("artist: Ida Marlow\n")
    assert command("release", HELD, "--sheet", sheet, "--side", "B")[0] == exit_codes.DONE
    order = read_order(rig.root.work / HELD)
    assert (order.sheet, order.side, order.plan) == ("sheet/better.yaml", "B", None)
    assert (rig.root.work / HELD / "sheet/better.yaml").read_text() == "artist: Ida Marlow\n"


def test_a_sheet_with_mistakes_releases_nothing(command: Command, rig: Rig, tmp_path: Path) -> None:
    sheet = tmp_path / "worse.yaml"
    sheet.write_text("artits: Ida Marlow\n")
    code, _, err = command("release", HELD, "--sheet", sheet)
    assert code == exit_codes.WRITTEN_WRONG
    assert "worse.yaml:1:1" in err
    assert (rig.root.held / HELD).exists()


@pytest.mark.parametrize("job", [FILED, QUARANTINED, "no-such-job", "../held", ""])
def test_only_held_jobs_are_released(command: Command, job: str) -> None:
    code, _, err = command("release", job)
    assert code == exit_codes.NOT_FOUND
    assert "sidekeep jobs" in err


def test_a_job_in_quarantine_is_tried_again(command: Command, rig: Rig) -> None:
    code, out, _ = command("retry", QUARANTINED, "--json")
    assert code == exit_codes.DONE
    assert answer(out) == {"job": QUARANTINED, "state": "queued", "service_runs": False}
    assert not (rig.root.work / QUARANTINED / "reason.yaml").exists()
    assert not (rig.root.work / QUARANTINED / "result.json").exists()
    rig.passes(21)
    assert rig.running() == [QUARANTINED]


def test_a_filed_job_is_ordered_anew_from_its_master(command: Command, rig: Rig) -> None:
    code, out, _ = command("redo", FILED, "--rules", "wide", "--json")
    assert code == exit_codes.DONE
    job = answer(out)["job"]
    assert job != FILED
    order = read_order(rig.root.work / job)
    assert (order.supersedes, order.rules, order.origin) == (FILED, "wide", "A.wav")
    assert order.sheet == "sheet/A.yaml"
    (part,) = order.parts
    assert (rig.root.work / job / part).samefile(rig.root.masters / f"{FILED}-0.wav")
    assert (rig.root.music / f"{FILED}.flac").exists()


# --- audit --------------------------------------------------------------------------------------


def test_a_sound_archive(command: Command, rig: Rig) -> None:
    code, out, _ = command("audit")
    assert code == exit_codes.DONE
    assert "1 jobs" in out
    assert "all as filed" in out
    assert (rig.root.state / "audit.json").exists()


def test_rot_is_found_and_explained(command: Command, rig: Rig) -> None:
    track = rig.root.music / f"{FILED}.flac"
    status = track.stat()
    track.chmod(0o644)
    track.write_bytes(track.read_bytes().swapcase())
    os.utime(track, ns=(status.st_atime_ns, status.st_mtime_ns))
    code, out, _ = command("audit")
    assert code == exit_codes.NEEDS_PERSON
    assert "ROTTEN (1)" in out
    assert f"music/{FILED}.flac" in out
    assert "backup" in out
    told = answer(command("audit", "--within", "30", "--json")[1])
    assert [(fault["path"], fault["condition"]) for fault in told["faults"]] == [
        (f"music/{FILED}.flac", "rotten")
    ]
    figures = json.loads((rig.root.state / "audit-figures.json").read_text())
    assert figures["errors"] == 1


def test_a_check_cut_short_counts_for_the_jobs_it_came_to(
    command: Command, rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(audit_command, "SAVE_EVERY_S", 0.0)

    def cut_short(root: Root, jobs: Sequence[str] | None) -> Iterator[Checked]:
        yield from audit(root, jobs)
        yield Checked("", "music/stray.flac", Condition.UNLISTED)
        raise KeyboardInterrupt

    monkeypatch.setattr(audit_command, "audit", cut_short)
    with contextlib.suppress(KeyboardInterrupt):
        command("audit")
    assert FILED in json.loads((rig.root.state / "audit.json").read_text())


def test_who_may_only_read_sees_what_an_audit_found(
    command: Command, rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    (rig.root.music / f"{FILED}.flac").unlink()

    def read_only(*_: object) -> None:
        raise MachineFault("It cannot be written. It is tried again later.", "Ask somebody.")

    monkeypatch.setattr(Marks, "save", read_only)
    code, out, err = command("audit")
    assert "MISSING (1)" in out
    assert err == "It cannot be written.\nAsk somebody.\n"
    assert code == exit_codes.MACHINE_FAULT


def test_an_unknown_job_cannot_be_audited(command: Command) -> None:
    assert command("audit", "no-such-job")[0] == exit_codes.NOT_FOUND


# --- doctor -------------------------------------------------------------------------------------


def test_a_good_set_up(command: Command) -> None:
    code, out, _ = command("doctor", "--quick", "--json")
    told = answer(out)
    grades = {check["what"]: check["grade"] for check in told["checks"]}
    assert grades["folders"] == grades["moves"] == grades["rule sets"] == "fine"
    assert set(grades) >= {"watching", "watch limit", "open files", "disk space", "clock"}
    assert code == (exit_codes.DONE if told["good"] else exit_codes.NEEDS_PERSON)


@pytest.mark.parametrize(
    ("mode", "grade", "advice"),
    [(0o700, "note", "chmod 2770"), (0o770, "note", "g+s"), (0o2770, "fine", "")],
)
def test_who_may_drop_is_told(
    command: Command, rig: Rig, mode: int, grade: str, advice: str
) -> None:
    rig.root.inbox.chmod(mode)
    checks = answer(command("doctor", "--quick", "--json")[1])["checks"]
    (told,) = [check for check in checks if check["what"] == "dropping"]
    assert told["grade"] == grade
    assert advice in told["advice"]


def test_a_share_that_is_not_mounted(command: Command, rig: Rig) -> None:
    (rig.root.inbox / ".sidekeep").unlink()
    code, out, _ = command("doctor", "--quick")
    assert code == exit_codes.NEEDS_PERSON
    assert "BAD   folders" in out
    assert "Mount the disk or share" in out


def test_the_doctor_makes_nothing_in_the_name_of_root(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    place = tmp_path / "theirs"
    place.mkdir()
    if os.geteuid() == 0:
        os.chown(place, 54_321, -1)
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    assert main(["doctor", "--quick", "--root", str(place)]) == exit_codes.NEEDS_PERSON
    assert "sidekeep doctor --root" in capsys.readouterr().out
    assert list(place.iterdir()) == []


def test_the_doctor_leaves_nothing_behind(command: Command, rig: Rig) -> None:
    before = sorted(rig.root.path.rglob("*"))
    command("doctor", "--quick")
    assert sorted(rig.root.path.rglob("*")) == before
