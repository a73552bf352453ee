"""The command line itself: help at once, exit codes, completion, settings."""

from __future__ import annotations

import argparse
import errno
import subprocess
import sys
from pathlib import Path

import pytest
import shtab

from sidekeep import errors
from sidekeep.cli import exit_codes, jobs, place
from sidekeep.cli.commandline import SHELLS
from sidekeep.cli.main import main
from sidekeep.cli.output import say

COMMANDS = (
    "watch",
    "drain",
    "look",
    "rules",
    "jobs",
    "release",
    "retry",
    "redo",
    "audit",
    "doctor",
    "completion",
)
# What takes long to load: numeric libraries above all, and what the service itself is made of.
HEAVY = ("numpy", "scipy", "soundfile", "matplotlib", "yaml", "structlog", "watchdog", "sqlite3")


def test_help_of_every_command_loads_nothing_heavy() -> None:
    script = f"""
import contextlib, io, sys
from sidekeep.cli.main import main
for command in ("", {", ".join(map(repr, COMMANDS))}):
    out = io.StringIO()
    try:
        with contextlib.redirect_stdout(out):
            main([*([command] if command else []), "--help"])
    except SystemExit as ended:
        assert ended.code == 0
    assert out.getvalue().startswith("usage: sidekeep"), command
print(sorted(set(sys.modules) & set({HEAVY!r})))
"""
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False
    )
    assert done.stdout.strip() == "[]", done.stderr


def test_the_help_names_all_commands_and_exit_codes(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["--help"])
    told = capsys.readouterr().out
    assert all(f"\n    {command}" in told for command in COMMANDS)
    assert all(f"  {code:>3}  {text}" in told for code, text in exit_codes.MEANINGS.items())


@pytest.mark.parametrize("line", [[], ["lok"], ["jobs", "--jsn"], ["jobs", "--al"]])
def test_a_wrong_line_ends_with_its_code(line: list[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(line)
    assert ended.value.code == exit_codes.WRONG_USAGE


def test_a_folder_that_one_may_not_read_is_told_in_words(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def forbidden(_: object) -> int:
        raise PermissionError(errno.EACCES, "Permission denied", "/srv/theirs")

    monkeypatch.setattr(jobs, "run", forbidden)
    assert main(["jobs"]) == exit_codes.MACHINE_FAULT
    told = capsys.readouterr().err
    assert told.startswith("Working with /srv/theirs failed: the user it runs as may not do that")
    assert "later" not in told


def test_the_machines_settings_hold_where_nothing_else_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = tmp_path / "settings.yaml"
    settings.write_text("root: theirs\n")
    monkeypatch.setattr(place, "SETTINGS", settings)
    for given, root in (
        ((None, None), tmp_path / "theirs"),
        (("/elsewhere", None), Path("/elsewhere")),
        ((None, tmp_path / "own.yaml"), tmp_path / "own"),
    ):
        (tmp_path / "own.yaml").write_text("root: own\n")
        made = place.preferences_of(argparse.Namespace(root=given[0], settings=given[1]))
        assert made.root == str(root)


def test_every_error_has_a_documented_code() -> None:
    mistake = errors.Mistake("a.yaml", 1, 1, "wrong")
    expected = {
        errors.Damaged("x"): exit_codes.WRITTEN_WRONG,
        errors.WrittenWrong((mistake,)): exit_codes.WRITTEN_WRONG,
        exit_codes.WrongSettings((mistake,)): exit_codes.WRONG_SETTINGS,
        errors.Refused("x"): exit_codes.NOT_FOUND,
        errors.MachineFault("x"): exit_codes.MACHINE_FAULT,
        errors.NeedsPerson("x"): exit_codes.NEEDS_PERSON,
        errors.SidekeepError("x"): exit_codes.INTERNAL,
    }
    assert {error: exit_codes.code_of(error) for error in expected} == expected
    assert set(expected.values()) <= exit_codes.MEANINGS.keys()


def test_wrong_settings_have_a_code_of_their_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = tmp_path / "settings.yaml"
    settings.write_text("setle: 3 s\nworkers: many\n")
    assert main(["jobs", "--settings", str(settings)]) == exit_codes.WRONG_SETTINGS
    told = capsys.readouterr().err
    assert f"{settings}:1:1: " in told
    assert "settle" in told
    assert f"{settings}:2:" in told


def test_completion_is_offered_for_shells_that_can_be_served() -> None:
    assert set(SHELLS) <= set(shtab.SUPPORTED_SHELLS)


@pytest.mark.parametrize("shell", SHELLS)
def test_completion_knows_every_command(shell: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["completion", shell]) == exit_codes.DONE
    script = capsys.readouterr().out
    assert all(command in script for command in COMMANDS)


def test_what_is_printed_cannot_steer_a_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    say("side\x1b[2J A\u202egnissim")
    assert capsys.readouterr().out == "side\ufffd[2J A\ufffdgnissim\n"
