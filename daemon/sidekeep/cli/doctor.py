"""Checks a set-up before it matters: folders, rights, events, space, rule sets, a test recording."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

from sidekeep.cli import exit_codes
from sidekeep.cli.output import print_json, say
from sidekeep.cli.place import preferences_of
from sidekeep.errors import SidekeepError
from sidekeep.preferences import Preferences
from sidekeep.service.checkup import Checked, Grade, examine
from sidekeep.service.states import State
from sidekeep.service.trial import try_out
from sidekeep.storage.folders import Root

_MARKS = {Grade.FINE: "ok  ", Grade.NOTE: "note", Grade.BAD: "BAD "}


def run(arguments: argparse.Namespace) -> int:
    """Check, and tell each finding as it is there."""
    preferences = preferences_of(arguments)
    found = []
    for each in _checks(preferences, quick=arguments.quick):
        found.append(each)
        if not arguments.json:
            say(f"{_MARKS[each.grade]}  {each.what}: {each.detail}")
            if each.advice:
                say(f"      {each.advice}")
    good = all(each.grade is not Grade.BAD for each in found)
    if arguments.json:
        print_json({"good": good, "checks": [asdict(each) for each in found]})
    return exit_codes.DONE if good else exit_codes.NEEDS_PERSON


def _checks(preferences: Preferences, *, quick: bool) -> Iterator[Checked]:
    sound = True
    for each in examine(Root(Path(preferences.root)), preferences):
        sound = sound and each.grade is not Grade.BAD
        yield each
    if sound and not quick:
        yield _trial(preferences)


def _trial(preferences: Preferences) -> Checked:
    what = "test recording"
    try:
        entry = try_out(preferences)
    except SidekeepError as error:
        return Checked(what, Grade.BAD, error.message, error.advice)
    except OSError as error:
        return Checked(what, Grade.BAD, str(error), "Check the disk.")
    if entry.state in (State.FILED, State.HELD):
        return Checked(what, Grade.FINE, f"went through and was {entry.state}")
    return Checked(what, Grade.BAD, f"was {entry.state}: {entry.message}", entry.advice)
