"""From the command line to the root and the settings."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path

from sidekeep.cli.exit_codes import WrongSettings
from sidekeep.errors import Refused, WrittenWrong
from sidekeep.preferences import Preferences, load_preferences
from sidekeep.storage.folders import MARKER, Root

#: Read where the command line names neither settings nor a root.
SETTINGS = Path("/etc/sidekeep/settings.yaml")


def preferences_of(
    arguments: argparse.Namespace, more: Mapping[str, str | None] | None = None
) -> Preferences:
    """Load the settings, the command line laid over them.

    Without `--settings` and `--root` those of the machine are read, where there are any.

    Args:
        arguments: with `root` and `settings`.
        more: further values by key as written in the settings file.

    Raises:
        WrongSettings: with every mistake.
    """
    file = arguments.settings
    if file is None and arguments.root is None and SETTINGS.is_file():
        file = SETTINGS
    try:
        return load_preferences(file, {"root": arguments.root, **(more or {})})
    except WrittenWrong as error:
        raise WrongSettings(error.mistakes) from error


def root_of(preferences: Preferences) -> Root:
    """Give the root of a command that only looks; it must have been used before.

    Raises:
        Refused: nothing of ours is there.
    """
    root = Root(Path(preferences.root))
    if not (root.state / MARKER).exists():
        raise Refused(
            f"{root.path} is not a root of Sidekeep (it has no state folder of ours).",
            "Give the right --root, or start `sidekeep watch` or `sidekeep drain` there first.",
        )
    return root
