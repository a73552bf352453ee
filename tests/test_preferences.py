"""The service's settings file and the command line over it."""

from __future__ import annotations

from pathlib import Path

import pytest

from sidekeep.errors import WrittenWrong
from sidekeep.keytables import key_table
from sidekeep.preferences import Preferences, load_preferences, read_preferences


def test_defaults_without_a_file() -> None:
    assert load_preferences(None, {}) == Preferences()


def test_a_file_goes_before_the_defaults_and_the_command_line_before_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    file = tmp_path / "etc" / "sidekeep.yaml"
    file.parent.mkdir()
    file.write_text(
        "root: ../srv\nrules: [mine, /opt/rules]\nworkers: 2\nsettle: 1 min\npoll: never\n"
    )
    found = load_preferences(file, {"workers": "3", "poll": None, "largest file": "2 GB"})
    assert found == Preferences(
        root=str(tmp_path / "etc" / ".." / "srv"),
        rules=(str(tmp_path / "etc" / "mine"), "/opt/rules"),
        workers=3,
        settle_s=60.0,
        poll="never",
        largest_file_gb=2.0,
    )


def test_folders_on_the_command_line_count_from_the_working_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert load_preferences(None, {"root": "here"}).root == str(tmp_path / "here")
    assert load_preferences(None, {"root": "/there"}).root == "/there"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("worker: 2", "s.yaml:1:1: unknown key 'worker'; did you mean 'workers'?"),
        (
            "workers: many",
            "s.yaml:1:10: 'workers': this is not a number; accepted is a whole number",
        ),
        ("workers: 0", "out of range"),
        ("settle: 3", "'settle': the unit is missing: write '3 s'"),
        ("poll: sometimes", "unknown word 'sometimes'; known are always, auto, never"),
        ("root: [a]", "'root' must be text"),
        ("- root", "the settings file must be a mapping"),
    ],
)
def test_mistakes_in_the_file(text: str, expected: str) -> None:
    with pytest.raises(WrittenWrong) as caught:
        read_preferences(text, "s.yaml")
    assert expected in str(caught.value)


def test_mistakes_on_the_command_line() -> None:
    with pytest.raises(WrittenWrong, match="command line:1:1: 'workers': 0 is out of range"):
        load_preferences(None, {"workers": "0"})


def test_a_file_that_is_missing_is_a_mistake(tmp_path: Path) -> None:
    with pytest.raises(
        WrittenWrong, match=r"nowhere.yaml:1:1: the settings file cannot be read: No"
    ):
        load_preferences(tmp_path / "nowhere.yaml", {})


def test_every_key_is_in_the_table() -> None:
    assert len(key_table(Preferences).splitlines()) == 2 + len(Preferences.__dataclass_fields__)
