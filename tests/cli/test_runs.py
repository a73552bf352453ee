"""Commands that start the whole machinery."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from sidekeep.cli import exit_codes
from sidekeep.cli.main import main
from sidekeep.service.assembly import LOCK_NAME
from sidekeep.service.lock import RootLock
from sidekeep.storage.folders import Root


@pytest.fixture
def root(tmp_path: Path) -> Root:
    root = Root(tmp_path / "root")
    root.prepare()
    return root


def drain(root: Root, *more: str) -> int:
    return main(["drain", "--settle", "0 s", "--root", str(root.path), *more])


def test_draining_tells_what_became_of_each_file(
    root: Root, capsys: pytest.CaptureFixture[str]
) -> None:
    (root.inbox / "list.wav").write_text("bread, milk, lamp oil")
    assert drain(root) == exit_codes.NEEDS_PERSON
    out = capsys.readouterr().out
    assert out.count("\n") == 1
    assert "quarantined list.wav is not an audio recording" in out


def test_draining_an_empty_inbox_for_a_program(
    root: Root, capsys: pytest.CaptureFixture[str]
) -> None:
    assert drain(root, "--json") == exit_codes.DONE
    assert json.loads(capsys.readouterr().out) == {"jobs": [], "left_in_inbox": []}


def test_two_at_once_are_refused(root: Root, capsys: pytest.CaptureFixture[str]) -> None:
    with RootLock(root.state / LOCK_NAME):
        assert drain(root) == exit_codes.BUSY
    assert "already works on" in capsys.readouterr().err


def test_a_settling_time_without_a_unit_is_refused(root: Root) -> None:
    line = ["drain", "--settle", "3", "--root", str(root.path)]
    assert main(line) == exit_codes.WRONG_USAGE


def test_all_rule_sets_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rules", "--json"]) == exit_codes.DONE
    names = [each["name"] for each in json.loads(capsys.readouterr().out)["rule_sets"]]
    assert "default" in names
    assert len(names) >= 7


def test_every_mistake_in_the_rule_sets_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine/one.yaml").write_text("trimm: off\nbalance: {limit: 3}\n")
    (tmp_path / "settings.yaml").write_text("rules: mine\n")
    line = ["rules", "--settings", str(tmp_path / "settings.yaml")]
    assert main(line) == exit_codes.WRITTEN_WRONG
    told = capsys.readouterr().err
    assert "one.yaml:1:1: " in told
    assert "one.yaml:2:" in told
    assert main([*line, "--json"]) == exit_codes.WRITTEN_WRONG
    assert len(json.loads(capsys.readouterr().out)["mistakes"]) == 2


def test_a_missing_file_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["look", "no such.wav"]) == exit_codes.NOT_FOUND
    assert "There is no file" in capsys.readouterr().err
