"""What the commands that look at a single recording have in common."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from sidekeep.errors import Refused
from sidekeep.preferences import Preferences
from sidekeep.service.companions import sheet_beside
from sidekeep.service.launch import RULES_VARIABLE


def rule_folders(preferences: Preferences) -> tuple[Path, ...]:
    """The folders the service handed on to be checked, or else those of the settings."""
    handed = os.environ.get(RULES_VARIABLE)
    folders = handed.split(os.pathsep) if handed else preferences.rules
    return tuple(map(Path, folders))


def sheet_of(arguments: argparse.Namespace) -> Path | None:
    """The sheet that was named, or the one beside the recording.

    Raises:
        Refused: the recording or the named sheet does not exist.
    """
    for path in (arguments.file, arguments.sheet):
        if path is not None and not path.is_file():
            raise Refused(f"There is no file {path}.", "Check the name.")
    found: Path | None = arguments.sheet or sheet_beside(arguments.file)
    return found


def folder_of(arguments: argparse.Namespace, preferences: Preferences) -> str:
    """The inbox folder that was named, or the one the recording lies in; empty elsewhere."""
    if arguments.folder is not None:
        return str(arguments.folder)
    inbox = Path(preferences.root) / "inbox"
    try:
        folder = arguments.file.resolve().parent.relative_to(inbox.resolve()).as_posix()
    except ValueError:
        return ""
    return "" if folder == "." else str(folder)
