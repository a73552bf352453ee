"""The rule sets that ship: they load, choose as meant, and are inside the wheel."""

from __future__ import annotations

import importlib.metadata
import os
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import pytest

from sidekeep.choosing import choose
from sidekeep.model import Sheet
from sidekeep.rulesets import RuleSet, load_rule_sets, shipped_rules_folder
from sidekeep.steps import STEPS

REPOSITORY = Path(__file__).parent.parent
NAMES = ("album", "club", "default", "mono", "shellac", "single", "spoken", "wide")
SECTIONS: dict[str, type[Any]] = {step.name: step.settings for step in STEPS}


@pytest.fixture(name="shipped", scope="module")
def _shipped() -> dict[str, RuleSet]:
    return load_rule_sets([], SECTIONS)


def test_all_of_them_load_with_the_real_steps(shipped: dict[str, RuleSet]) -> None:
    assert tuple(shipped) == NAMES
    assert all(rule_set.description for rule_set in shipped.values())


def test_the_package_sees_the_folder_of_the_repository() -> None:
    assert shipped_rules_folder().samefile(REPOSITORY / "rules")


def test_default_changes_neither_spectrum_nor_time_line(shipped: dict[str, RuleSet]) -> None:
    treatments = {step.name for step in STEPS if step.treat is not None}
    off = {name for name, settings in shipped["default"].sections.items() if settings is None}
    assert off == treatments


def test_every_rule_set_files_something(shipped: dict[str, RuleSet]) -> None:
    for rule_set in shipped.values():
        for name in ("trim", "split", "level", "verdict", "tag", "deliver", "file"):
            assert rule_set.sections[name] is not None, (rule_set.name, name)


def test_a_rule_set_of_ones_own_that_says_nothing_treats_nothing(
    tmp_path: Path, shipped: dict[str, RuleSet]
) -> None:
    (tmp_path / "mine.yaml").write_text("description: mine\n")
    mine = load_rule_sets([tmp_path], SECTIONS)["mine"]
    assert mine.sections == shipped["default"].sections


@pytest.mark.parametrize(
    ("folder", "genre", "rpm", "name"),
    [
        ("", None, None, "default"),
        ("anything", "polka", None, "default"),
        ("albums", None, None, "album"),
        ("", None, 100 / 3, "album"),
        ("", "rock", 100 / 3, "album"),
        ("club", None, None, "club"),
        ("", "Techno", 45.0, "club"),
        ("", "disco", 100 / 3, "club"),
        ("", "soul", 45.0, "single"),
        ("singles/soul", None, None, "single"),
        ("", "Jazz", 100 / 3, "wide"),
        ("albums", "jazz", 100 / 3, "album"),  # a folder is a person's own choice
        ("", "spoken word", 100 / 3, "spoken"),
        ("mono", "jazz", 100 / 3, "mono"),
        ("", None, 78.0, "shellac"),
        ("", "jazz", 78.0, "shellac"),
        ("", "speech", 78.0, "shellac"),
        ("shellac", None, None, "shellac"),
    ],
)
def test_choices(
    shipped: dict[str, RuleSet], folder: str, genre: str | None, rpm: float | None, name: str
) -> None:
    sheet = Sheet(genre=genre, rpm=rpm)
    chosen = choose(shipped, folder=folder, file_name="rec_0001.wav", sheet=sheet)
    assert chosen.rule_set.name == name, chosen.reason


@pytest.mark.parametrize(
    ("stem", "folder", "fields"),
    [
        (
            "Marlow - Low Water [SMA 014] B",
            "",
            {"artist": "Marlow", "title": "Low Water", "catalogue": "SMA 014", "side": "B"},
        ),
        (
            "Marlow - Low Water [SMA 014] side B",
            "",
            {"artist": "Marlow", "title": "Low Water", "catalogue": "SMA 014", "side": "B"},
        ),
        (
            "Marlow - Low Water side B",
            "",
            {"artist": "Marlow", "title": "Low Water", "side": "B"},
        ),
        (
            "B",
            "albums/Marlow - Low Water [SMA 014]",
            {"artist": "Marlow", "title": "Low Water", "catalogue": "SMA 014"},
        ),
        ("rec_0001", "2024 - new arrivals", {}),
        ("2024-05-01 12-30-00", "", {}),
    ],
)
def test_what_names_give(
    shipped: dict[str, RuleSet], stem: str, folder: str, fields: dict[str, str]
) -> None:
    for rule_set in shipped.values():
        assert rule_set.patterns.fields(stem, folder) == fields


def test_no_two_rule_sets_fit_equally_well(shipped: dict[str, RuleSet]) -> None:
    conditions = [c for rule_set in shipped.values() for c in rule_set.applies]
    for condition in conditions:
        for folder in condition.folder:
            assert "equal to" not in choose(shipped, folder=folder).reason
        for genre in condition.genre:
            for rpm in (100 / 3, 45.0, 78.0):
                reason = choose(shipped, sheet=Sheet(genre=genre, rpm=rpm)).reason
                assert "equal to" not in reason


@pytest.mark.parametrize("name", NAMES)
def test_every_section_with_numbers_has_a_comment_with_the_reason(name: str) -> None:
    text = (REPOSITORY / "rules" / f"{name}.yaml").read_text()
    for paragraph in re.split(r"\n\n+", text):
        sections = [line for line in paragraph.splitlines() if re.match(r"[a-z]", line)]
        if any(re.search(r"\d", line) for line in sections) and "applies to" not in paragraph:
            assert "#" in paragraph or paragraph.startswith("description"), paragraph


def test_they_are_inside_the_wheel(tmp_path: Path) -> None:
    version = importlib.metadata.version("setuptools")
    if int(version.partition(".")[0]) < 77:
        pytest.skip(f"setuptools {version} is older than what pyproject.toml asks for")
    source = tmp_path / "source"
    source.mkdir()
    for name in ("pyproject.toml", "LICENSE"):
        shutil.copy(REPOSITORY / name, source)
    (source / "README.md").write_text("A stand-in.\n")
    shutil.copytree(REPOSITORY / "rules", source / "rules")
    shutil.copytree(
        REPOSITORY / "daemon",
        source / "daemon",
        symlinks=True,
        ignore=shutil.ignore_patterns("*.egg-info", "__pycache__"),
    )
    build = "from setuptools import build_meta; build_meta.build_wheel('wheel')"
    subprocess.run(
        [sys.executable, "-W", "ignore", "-c", build],
        cwd=source,
        env={**os.environ, "PYTHONPATH": ""},
        check=True,
        capture_output=True,
    )
    (wheel,) = (source / "wheel").glob("*.whl")
    with zipfile.ZipFile(wheel) as opened:
        found = {n for n in opened.namelist() if n.startswith("sidekeep/shipped_rules/")}
        assert found == {f"sidekeep/shipped_rules/{name}.yaml" for name in NAMES}
        for name in NAMES:
            packed = opened.read(f"sidekeep/shipped_rules/{name}.yaml")
            assert packed == (REPOSITORY / "rules" / f"{name}.yaml").read_bytes()
