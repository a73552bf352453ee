"""Checks all rule sets and lists every mistake; for a recording, says which one applies and why."""

from __future__ import annotations

import argparse
import importlib
from dataclasses import asdict
from pathlib import Path
from typing import Any

from sidekeep.cli import exit_codes
from sidekeep.cli.options import add_json, add_place, bold, print_json, say
from sidekeep.cli.place import preferences_of
from sidekeep.cli.rule_folders import rule_folders
from sidekeep.errors import Refused, WrittenWrong
from sidekeep.preferences import Preferences
from sidekeep.rulesets import RuleSet, load_rule_sets
from sidekeep.service.companions import sheet_beside


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's own arguments."""
    parser.add_argument("file", metavar="FILE", type=Path, nargs="?", help="a recording")
    parser.add_argument("--sheet", metavar="FILE", type=Path, help="use this sheet")
    parser.add_argument("--folder", metavar="NAME", help="as if dropped in this inbox folder")
    add_place(parser)
    add_json(parser)


def run(arguments: argparse.Namespace) -> int:
    """Check, and choose for a file."""
    preferences = preferences_of(arguments)
    study = importlib.import_module("sidekeep.study")  # brings the numeric libraries along
    try:
        rule_sets = load_rule_sets(rule_folders(preferences), study.SECTIONS)
    except WrittenWrong as error:
        if not arguments.json:
            raise
        mistakes = [asdict(mistake) for mistake in error.mistakes]
        print_json({"rule_sets": [], "mistakes": mistakes})
        return exit_codes.WRITTEN_WRONG
    answer: dict[str, Any] = {"rule_sets": [_values(each) for each in rule_sets.values()]}
    if arguments.file is not None:
        choice = _choice(study, arguments, preferences, rule_sets)
        answer["choice"] = {"rule_set": choice.rule_set.name, "reason": choice.reason}
    if arguments.json:
        print_json({**answer, "mistakes": []})
    elif "choice" in answer:
        say(f"{arguments.file}: rule set {choice.reason}.")
    else:
        for each in rule_sets.values():
            say(f"{bold(each.name)}  {each.description}")
    return exit_codes.DONE


def _choice(
    study: Any,
    arguments: argparse.Namespace,
    preferences: Preferences,
    rule_sets: dict[str, RuleSet],
) -> Any:
    path: Path = arguments.file
    if not path.is_file():
        raise Refused(f"There is no file {path}.", "Check the name.")
    folder = arguments.folder
    if folder is None:
        folder = _inbox_folder(path, Path(preferences.root) / "inbox")
    case = study.Case(path.stem, (path,), folder, arguments.sheet or sheet_beside(path))
    reader = study.AudioReader(case.paths)
    return study.know(case, reader.recording(), rule_sets).choice


def _inbox_folder(path: Path, inbox: Path) -> str:
    """The inbox-relative folder of a file; empty for a file that lies elsewhere."""
    try:
        folder = path.resolve().parent.relative_to(inbox.resolve()).as_posix()
    except ValueError:
        return ""
    return "" if folder == "." else folder


def _values(rule_set: RuleSet) -> dict[str, Any]:
    return {
        "name": rule_set.name,
        "description": rule_set.description,
        "source": rule_set.source,
        "steps": [name for name, settings in rule_set.sections.items() if settings is not None],
    }
