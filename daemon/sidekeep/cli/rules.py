"""Checks all rule sets and lists every mistake; for a recording, says which one applies and why."""

from __future__ import annotations

import argparse
import importlib
from dataclasses import asdict
from pathlib import Path
from typing import Any

from sidekeep.cli import exit_codes
from sidekeep.cli.output import bold, print_json, say
from sidekeep.cli.place import preferences_of
from sidekeep.cli.recordings import folder_of, rule_folders, sheet_of
from sidekeep.errors import WrittenWrong
from sidekeep.preferences import Preferences
from sidekeep.rulesets import RuleSet, load_rule_sets


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
    sheet = sheet_of(arguments)
    case = study.Case(
        path.stem,
        (path,),
        folder_of(arguments, preferences),
        sheet,
        arguments.rules,
        arguments.side,
    )
    recording = study.AudioReader(case.paths).recording()
    return study.know(case, recording, rule_sets).choice


def _values(rule_set: RuleSet) -> dict[str, Any]:
    return {
        "name": rule_set.name,
        "description": rule_set.description,
        "source": rule_set.source,
        "steps": [name for name, settings in rule_set.sections.items() if settings is not None],
    }
