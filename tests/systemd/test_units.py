"""The units are checked by systemd's own tools where these are installed."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from itertools import pairwise
from pathlib import Path

import pytest

from sidekeep.cli import exit_codes

UNITS = Path(__file__).parents[2] / "systemd"
MOST_EXPOSURE = 0.5


def needs(tool: str) -> pytest.MarkDecorator:
    return pytest.mark.skipif(shutil.which(tool) is None, reason=f"{tool} is not installed")


def run(*command: str | Path, text: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(word) for word in command], input=text, capture_output=True, text=True, check=False
    )


@pytest.fixture
def installed(tmp_path: Path) -> Path:
    """The units as they would be installed, with a program that exists here."""
    for unit in [*UNITS.glob("*.service"), *UNITS.glob("*.timer")]:
        text = unit.read_text().replace("/opt/sidekeep/bin/sidekeep", "/bin/true")
        (tmp_path / unit.name).write_text(text)
    return tmp_path


@needs("systemd-analyze")
def test_systemd_finds_nothing_to_complain_about(installed: Path) -> None:
    units = sorted(installed.iterdir())
    assert [unit.name for unit in units] == [
        "sidekeep-audit.service",
        "sidekeep-audit.timer",
        "sidekeep.service",
    ]
    # An unknown key is only a line on standard error, so silence is asked for as well.
    verified = run("systemd-analyze", "verify", "--man=no", *units)
    assert (verified.returncode, verified.stdout, verified.stderr) == (0, "", "")


@needs("systemd-analyze")
def test_a_misspelt_key_would_be_noticed(installed: Path) -> None:
    unit = installed / "sidekeep.service"
    unit.write_text(unit.read_text().replace("PrivateNetwork=", "PrivateNetwrok="))
    verified = run("systemd-analyze", "verify", "--man=no", unit)
    assert "PrivateNetwrok" in verified.stderr


@needs("systemd-analyze")
@pytest.mark.parametrize("unit", ["sidekeep.service", "sidekeep-audit.service"])
def test_exposure_is_low(installed: Path, unit: str) -> None:
    limit = f"--threshold={int(MOST_EXPOSURE * 10)}"
    rated = run("systemd-analyze", "security", "--offline=true", limit, installed / unit)
    assert rated.returncode == 0, rated.stdout[-400:]
    table = run("systemd-analyze", "security", "--offline=true", "--json=short", installed / unit)
    closed = {row["json_field"]: row["exposure"] for row in json.loads(table.stdout)}
    assert closed["PrivateNetwork"] is None
    assert closed["MemoryDenyWriteExecute"] is None


@needs("systemd-sysusers")
@needs("systemd-tmpfiles")
def test_user_and_folders_can_be_made(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    users = (UNITS / "sidekeep.sysusers.conf").read_text()
    made = run("systemd-sysusers", f"--root={tmp_path}", "-", text=users)
    assert made.returncode == 0, made.stderr
    assert "sidekeep:x:" in (tmp_path / "etc/passwd").read_text()
    folders = (UNITS / "sidekeep.tmpfiles.conf").read_text()
    made = run("systemd-tmpfiles", f"--root={tmp_path}", "--create", "-", text=folders)
    assert made.returncode == 0, made.stderr
    assert (tmp_path / "srv/sidekeep/inbox").is_dir()


def test_what_a_restart_does_not_mend_is_not_tried_again() -> None:
    unit = (UNITS / "sidekeep.service").read_text()
    (line,) = [line for line in unit.splitlines() if line.startswith("RestartPreventExitStatus=")]
    codes = {int(code) for code in line.partition("=")[2].split()}
    assert codes == {exit_codes.WRONG_USAGE, exit_codes.BUSY, exit_codes.WRONG_SETTINGS}


@needs("systemd-analyze")
def test_the_audit_runs_every_night_at_the_lowest_priority() -> None:
    unit = (UNITS / "sidekeep-audit.service").read_text().splitlines()
    assert {"Nice=19", "IOSchedulingClass=idle", "CPUSchedulingPolicy=idle"} <= set(unit)
    (start,) = [line for line in unit if line.startswith("ExecStart=")]
    assert start.endswith("--within 30")
    timer = (UNITS / "sidekeep-audit.timer").read_text()
    (when,) = [line for line in timer.splitlines() if line.startswith("OnCalendar=")]
    told = run("systemd-analyze", "calendar", "--iterations=3", when.partition("=")[2])
    assert told.returncode == 0, told.stderr
    days = [
        int(day) for day in re.findall(r"(?:elapse|#\d+): \w+ \d+-\d+-(\d+) 03:20:00", told.stdout)
    ]
    assert len(days) == 3
    assert all(later == before % 31 + 1 or later == 1 for before, later in pairwise(days))


def test_all_folders_share_one_mount() -> None:
    unit = (UNITS / "sidekeep.service").read_text()
    writable = [line for line in unit.splitlines() if line.startswith("ReadWritePaths=")]
    assert writable == ["ReadWritePaths=-/srv/sidekeep"]
