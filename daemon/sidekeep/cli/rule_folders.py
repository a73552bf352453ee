"""Where a command finds the person's own rule sets."""

from __future__ import annotations

import os
from pathlib import Path

from sidekeep.preferences import Preferences
from sidekeep.service.executor import RULES_VARIABLE


def rule_folders(preferences: Preferences) -> tuple[Path, ...]:
    """The folders the service handed on to be checked, or else those of the settings."""
    handed = os.environ.get(RULES_VARIABLE)
    folders = handed.split(os.pathsep) if handed else preferences.rules
    return tuple(map(Path, folders))
