"""Reading rule sets: sections, inheritance, layers, mistakes."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from sidekeep.errors import WrittenWrong
from sidekeep.rulesets import Condition, RuleSet, load_rule_sets, read_rule_set
from sidekeep.settings import choice, quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """Left and right."""

    limit_db: float = quantity("limit", unit="dB", default=3.0, low=0, high=12, doc="the most")
    least_db: float = quantity("least", unit="dB", default=0.1, low=0, high=3, doc="the least")


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """Cuts."""

    by: str = choice("by", of=("gaps", "sheet", "none"), default="gaps", doc="what cuts")


SECTIONS: dict[str, type[Any]] = {"balance": Balance, "split": Split}


def rule_set(text: str, **known: RuleSet) -> RuleSet:
    return read_rule_set(text, "club", SECTIONS, known)


def mistakes_in(text: str, **known: RuleSet) -> list[str]:
    with pytest.raises(WrittenWrong) as caught:
        rule_set(text, **known)
    return [str(mistake) for mistake in caught.value.mistakes]


def test_everything_a_rule_set_can_say() -> None:
    found = rule_set(
        "description: Loud ones.\n"
        "applies to: {folder: club, genre: [techno, disco], rpm: [33, 45], file: '*12in*'}\n"
        "names:\n"
        "  file: '{artist} - {title} [{catalogue}] {side}'\n"
        "  folder: ['{artist}/{title}', '{title}']\n"
        "sheet: required\n"
        "balance: {limit: 1 dB}\n"
        "split: off\n"
    )
    assert found.name == "club"
    assert found.description == "Loud ones."
    assert found.applies == (Condition(("club",), ("*12in*",), ("techno", "disco"), (100 / 3, 45)),)
    assert [pattern.text for pattern in found.patterns.folder] == ["{artist}/{title}", "{title}"]
    assert found.sheet_required
    assert found.sections == {"balance": Balance(limit_db=1.0), "split": None}
    assert found.source == "club.yaml"


def test_nothing_written_means_every_step_with_its_defaults() -> None:
    found = rule_set("")
    assert found.sections == {"balance": Balance(), "split": Split()}
    assert not found.applies
    assert not found.sheet_required


def test_applies_to_may_list_alternatives() -> None:
    found = rule_set("applies to:\n  - folder: [club, 12-inch]\n  - {genre: techno, rpm: 45}\n")
    assert found.applies == (
        Condition(folder=("club", "12-inch")),
        Condition(genre=("techno",), rpm=(45.0,)),
    )


def test_inheritance_goes_key_by_key() -> None:
    base = rule_set("sheet: required\nnames: '{title}'\nbalance: {limit: 1 dB}\nsplit: off\n")
    child = rule_set("extends: base\nbalance: {least: 0.2 dB}\n", base=base)
    assert child.sections == {"balance": Balance(limit_db=1.0, least_db=0.2), "split": None}
    assert child.sheet_required
    assert child.patterns == base.patterns


def test_conditions_and_description_are_not_inherited() -> None:
    base = rule_set("description: x\napplies to: {folder: club}\n")
    child = rule_set("extends: base\n", base=base)
    assert child.applies == ()
    assert child.description == ""


@pytest.mark.parametrize(
    ("written", "expected"),
    [("split: on", Split()), ("split: {}", Split()), ("split: {by: sheet}", Split(by="sheet"))],
)
def test_a_step_that_was_off_can_be_switched_on(written: str, expected: Split) -> None:
    base = rule_set("split: off")
    assert rule_set(f"extends: base\n{written}\n", base=base).sections["split"] == expected


def test_on_keeps_what_was_inherited() -> None:
    base = rule_set("balance: {limit: 1 dB}")
    assert rule_set("extends: base\nbalance: on", base=base).sections["balance"].limit_db == 1.0


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("balnce: {limit: 1 dB}", "club.yaml:1:1: unknown key 'balnce'; did you mean 'balance'?"),
        ("applies_to: {folder: x}", "unknown key 'applies_to'; did you mean 'applies to'?"),
        ("balance: {limit: 1}", "club.yaml:1:18: 'limit': the unit is missing"),
        ("balance: gentle", "club.yaml:1:10: 'balance' needs its keys (key: value), or 'off'"),
        ("balance:", "club.yaml:1:1: 'balance' needs its keys"),
        ("balance: [1 dB]", "'balance' must be a mapping"),
        ("balance: Off", "'balance' needs its keys"),
        ("extends: clubs", "club.yaml:1:10: unknown rule set 'clubs'"),
        ("extends: [a, b]", "'extends' must be text"),
        ("sheet: maybe", "club.yaml:1:8: 'sheet' must be required or optional, not 'maybe'"),
        ("names: '{titel}'", "club.yaml:1:8: there is no field {titel}"),
        ("names: {stem: '{title}'}", "unknown key 'stem'; known are file, folder"),
        ("applies to: {rpm: fast}", "club.yaml:1:19: 'rpm' must be 33, 45 or 78, not 'fast'"),
        ("applies to: {gender: x}", "unknown key 'gender'; did you mean 'genre'?"),
        ("applies to: club", "'applies to' must be a mapping"),
        ("- a", "club.yaml:1:1: a rule set must be a mapping"),
        ("a: &b c", "anchors"),
    ],
)
def test_mistakes(text: str, expected: str) -> None:
    found = mistakes_in(text)
    assert any(expected in line for line in found), found


def test_all_mistakes_of_a_file_come_in_one_go() -> None:
    found = mistakes_in("extends: x\nbalance: {limit: 1}\nsplit: {by: ear}\nsheet: no\nzz: 1\n")
    assert [line.split(":")[1] for line in found] == ["1", "2", "3", "4", "5"]


def test_names_give_fields_and_the_file_goes_before_the_folder() -> None:
    patterns = rule_set(
        "names: {file: ['{artist} - {title} {side}', '{side}'], folder: '{artist}/{title}'}"
    ).patterns
    assert patterns.fields("Ida - Ebb A", "jazz/Marlow/Low Water") == {
        "artist": "Ida",
        "title": "Ebb",
        "side": "A",
    }
    assert patterns.fields("B", "jazz/Marlow/Low Water") == {
        "artist": "Marlow",
        "title": "Low Water",
        "side": "B",
    }
    assert patterns.fields("no side here", "") == {}


# --- folders --------------------------------------------------------------------------------------


@pytest.fixture(name="shipped")
def _shipped(tmp_path: Path) -> Path:
    folder = tmp_path / "shipped"
    folder.mkdir()
    (folder / "default.yaml").write_text("balance: {limit: 1 dB}\n")
    (folder / "album.yaml").write_text("extends: default\napplies to: {folder: albums}\n")
    return folder


@pytest.fixture(name="own")
def _own(tmp_path: Path) -> Path:
    folder = tmp_path / "own"
    folder.mkdir()
    return folder


def test_a_folder_is_laid_over_the_shipped_ones(shipped: Path, own: Path) -> None:
    (own / "default.yaml").write_text("extends: default\nbalance: {least: 0.5 dB}\n")
    (own / "tape.yaml").write_text("split: off\n")
    (own / ".hidden.yaml").write_text("{")
    (own / "notes.txt").write_text("{")
    found = load_rule_sets([own], SECTIONS, shipped=shipped)
    assert list(found) == ["album", "default", "tape"]
    # One's own default extends the shipped one; all others build on one's own, also unasked.
    assert found["default"].sections["balance"] == Balance(limit_db=1.0, least_db=0.5)
    assert found["album"].sections["balance"] == Balance(limit_db=1.0, least_db=0.5)
    assert found["tape"].sections["balance"] == Balance(limit_db=1.0, least_db=0.5)
    assert (found["album"].layer, found["tape"].layer) == (0, 1)
    assert found["tape"].source == str(own / "tape.yaml")


@pytest.mark.parametrize(
    ("files", "circle"),
    [
        ({"a": "extends: a"}, "unknown rule set 'a'"),
        ({"a": "extends: b", "b": "extends: a"}, "rule sets extend each other: a -> b -> a"),
        (
            {"a": "extends: b", "b": "extends: c", "c": "extends: b"},
            "rule sets extend each other: b -> c -> b",
        ),
        ({"default": "extends: album"}, "rule sets extend each other: "),
    ],
)
def test_circles_are_refused(shipped: Path, own: Path, files: dict[str, str], circle: str) -> None:
    for name, text in files.items():
        (own / f"{name}.yaml").write_text(text)
    with pytest.raises(WrittenWrong, match=circle):
        load_rule_sets([own], SECTIONS, shipped=shipped)


def test_mistakes_of_all_files_come_in_one_go_and_nothing_is_loaded(
    shipped: Path, own: Path
) -> None:
    (own / "a.yaml").write_text("balance: {limit: 1}\nfoo: 1\n")
    (own / "b.yaml").write_text("extends: nobody\nsplit: {by: ear}\n")
    (own / "c.yaml").write_text("{")
    (own / "d.yaml").write_bytes(b"\xff\xfe")
    (own / "e e.yaml").write_text("description: fine\n")
    (own / "-f.yaml").write_text("")
    (own / "g.yml").write_text("description: fine\n")
    with pytest.raises(WrittenWrong) as caught:
        load_rule_sets([own, own / "missing"], SECTIONS, shipped=shipped)
    counted: dict[str, int] = {}
    for mistake in caught.value.mistakes:
        counted[Path(mistake.file).name] = counted.get(Path(mistake.file).name, 0) + 1
    expected = {
        "-f.yaml": 1,
        "c.yaml": 1,
        "d.yaml": 1,
        "missing": 1,
        "a.yaml": 2,
        "b.yaml": 2,
        "g.yml": 1,
    }
    assert counted == expected


def test_a_very_large_file_and_a_pipe_do_no_harm(shipped: Path, own: Path) -> None:
    os.mkfifo(own / "pipe.yaml")
    (own / "folder.yaml").mkdir()
    assert "pipe" not in load_rule_sets([own], SECTIONS, shipped=shipped)
    (own / "big.yaml").write_bytes(b"#" * 10_000_000)
    with pytest.raises(WrittenWrong, match="too large"):
        load_rule_sets([own], SECTIONS, shipped=shipped)


def test_a_long_chain_is_followed(shipped: Path, own: Path) -> None:
    (own / "r0.yaml").write_text("balance: {limit: 2 dB}")
    for n in range(1, 50):
        (own / f"r{n}.yaml").write_text(f"extends: r{n - 1}")
    found = load_rule_sets([own], SECTIONS, shipped=shipped)
    assert found["r49"].sections["balance"] == Balance(limit_db=2.0)
