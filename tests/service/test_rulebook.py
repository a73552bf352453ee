"""Rule sets in force: a checked copy, never half, never wrong."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from sidekeep.errors import MachineFault, Mistake, WrittenWrong
from sidekeep.service import rulebook
from sidekeep.service.rulebook import Rulebook, check

MISTAKE = Mistake("mine.yaml", 3, 7, "unknown key")


@pytest.fixture
def book(tmp_path: Path) -> Rulebook:
    (tmp_path / "state").mkdir()
    for name in ("house", "mine"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "loud.yaml").write_text(f"description: {name}\n")
        (tmp_path / name / "notes.txt").write_text("not a rule set")
    return Rulebook(tmp_path / "state", [str(tmp_path / "house"), str(tmp_path / "mine")])


def believed(monkeypatch: pytest.MonkeyPatch, *mistakes: Mistake) -> list[str]:
    """Let the child's check say what the test wants; return what it was asked to check."""
    asked: list[str] = []

    def fake(path: str) -> int:
        asked.append(path)
        if mistakes:
            raise WrittenWrong(mistakes)
        return 9

    monkeypatch.setattr(rulebook, "check", fake)
    return asked


def test_what_was_checked_is_what_is_used(book: Rulebook, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = believed(monkeypatch)
    assert book.load() == 9
    assert asked == [book.path]
    copies = [Path(part) for part in book.path.split(os.pathsep)]
    assert [(copy / "loud.yaml").read_text() for copy in copies] == [
        "description: house\n",
        "description: mine\n",
    ]
    assert not (copies[0] / "notes.txt").exists()


def test_an_edit_after_loading_changes_nothing(
    book: Rulebook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    believed(monkeypatch)
    book.load()
    (tmp_path / "mine/loud.yaml").write_text("nonsense")
    assert (Path(book.path.split(os.pathsep)[1]) / "loud.yaml").read_text() == "description: mine\n"


def test_wrong_ones_leave_the_old_in_force(book: Rulebook, monkeypatch: pytest.MonkeyPatch) -> None:
    believed(monkeypatch)
    book.load()
    before = book.path
    believed(monkeypatch, MISTAKE)
    with pytest.raises(WrittenWrong, match=r"mine\.yaml:3:7"):
        book.load()
    assert book.path == before
    assert all(Path(part).is_dir() for part in before.split(os.pathsep))


def test_old_copies_go_when_nobody_uses_them(
    book: Rulebook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    believed(monkeypatch)
    book.load()
    book.load()
    assert len(list((tmp_path / "state/rules").iterdir())) == 2
    book.prune()
    (left,) = (tmp_path / "state/rules").iterdir()
    assert book.path.startswith(str(left))


def test_a_folder_that_is_not_there_is_a_mistake(tmp_path: Path) -> None:
    with pytest.raises(WrittenWrong, match="no such folder"):
        Rulebook(tmp_path, [str(tmp_path / "gone")]).load()


def test_a_mistake_is_told_in_the_persons_own_file(tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    folder.mkdir()
    (folder / "one.yaml").write_text("trimm: off\n")
    (tmp_path / "state").mkdir()
    with pytest.raises(WrittenWrong) as caught:
        Rulebook(tmp_path / "state", [str(folder)]).load()
    assert [mistake.file for mistake in caught.value.mistakes] == [str(folder / "one.yaml")]


def test_a_machine_that_is_too_slow_is_no_mistake_of_the_rule_sets(
    book: Rulebook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A service ends for good over a mistake; this it shall try again."""
    monkeypatch.setattr(rulebook, "CHECK_S", 0.0)
    with pytest.raises(MachineFault, match="no answer within"):
        book.load()
    assert list((tmp_path / "state/rules").iterdir()) == []
    monkeypatch.setattr(rulebook, "CHECK_S", 45.0)
    monkeypatch.setattr(sys, "executable", "/bin/false")
    with pytest.raises(MachineFault, match="ended with code 1"):
        book.load()


def test_the_child_tells_every_mistake(tmp_path: Path) -> None:
    (tmp_path / "one.yaml").write_text("trimm: off\n")
    (tmp_path / "two.yaml").write_text("description: [1\n")
    with pytest.raises(WrittenWrong) as caught:
        check(str(tmp_path))
    assert {Path(mistake.file).name for mistake in caught.value.mistakes} == {
        "one.yaml",
        "two.yaml",
    }
