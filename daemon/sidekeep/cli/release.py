"""Goes on with a held job: as its corrected plan says, or decided again with another sheet or rule set.

Without options the job's plan.yaml is checked and carried out as it stands, whatever was uncertain.
"""

from __future__ import annotations

import argparse

from sidekeep.cli import exit_codes
from sidekeep.cli.place import preferences_of, root_of
from sidekeep.cli.returning import change_of, tell_queued
from sidekeep.service.returning import release


def run(arguments: argparse.Namespace) -> int:
    """Release the job."""
    root = root_of(preferences_of(arguments))
    release(root, arguments.job, change_of(arguments))
    tell_queued(arguments, root, arguments.job)
    return exit_codes.DONE
