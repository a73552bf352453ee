"""Does a filed job again from its master, with another sheet or rule set.

A new job takes the place of the old one, whose result stays until the new one is committed.
"""

from __future__ import annotations

import argparse
from datetime import UTC, datetime

from sidekeep.cli import exit_codes
from sidekeep.cli.place import preferences_of, root_of
from sidekeep.cli.returning import change_of, tell_queued
from sidekeep.service.returning import redo


def run(arguments: argparse.Namespace) -> int:
    """Order the job anew."""
    root = root_of(preferences_of(arguments))
    today = datetime.now(UTC).strftime("%Y%m%d")
    job = redo(root, arguments.job, change_of(arguments), today)
    tell_queued(arguments, root, job)
    return exit_codes.DONE
