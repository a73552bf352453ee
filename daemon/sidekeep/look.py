"""A dry run: measure and decide, write nothing."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from sidekeep.measurements import Measurements
from sidekeep.model import Plan
from sidekeep.report.summary import summarise
from sidekeep.rulesets import RuleSet, load_rule_sets
from sidekeep.storage.filehash import FileHashes
from sidekeep.study import SECTIONS, Case, decided, hashed, know, measured, open_recording


def study(
    case: Case,
    rule_sets: Mapping[str, RuleSet],
    progress: Callable[[str, float], None] = lambda _act, _fraction: None,
) -> tuple[Plan, Measurements]:
    """Measure a recording and decide everything about it.

    Args:
        case: the recording and what is known about it.
        rule_sets: all rule sets by name.
        progress: told the act and the part of it that is done.

    Raises:
        Unusable: it can never be processed; the message says why.
        WrittenWrong: its sheet has mistakes.
        NeedsPerson: a rule set that was asked for does not exist.
    """
    reader, recording = open_recording(case)
    hashes = FileHashes(case.paths)
    known = know(case, recording, rule_sets)
    known, seen = measured(reader, known, progress)
    return decided(case, hashed(known, hashes), seen), seen


def look(
    path: Path,
    rules: str | None = None,
    sheet: Path | None = None,
    side: str | None = None,
    *,
    folder: str = "",
    rule_folders: tuple[Path, ...] = (),
    progress: Callable[[str, float], None] = lambda _act, _fraction: None,
) -> dict[str, Any]:
    """Look at one recording and return the plan as plain values (see `report.summary`).

    Args:
        path: the recording.
        rules: name of a rule set, instead of the one that would be chosen.
        sheet: a sheet's file.
        side: which side of the record it is.
        folder: the inbox folder it would be dropped in, for choosing the rule set.
        rule_folders: folders with rule sets of the person's own.
        progress: told the act and the part of it that is done.
    """
    case = Case(path.stem, (path,), folder, sheet, rules, side)
    plan, _ = study(case, load_rule_sets(rule_folders, SECTIONS), progress)
    return summarise(plan)
