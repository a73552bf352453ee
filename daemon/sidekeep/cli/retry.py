"""Tries a job in quarantine again, for instance after its file or its sheet was put right."""

from __future__ import annotations

import argparse

from sidekeep.cli import exit_codes
from sidekeep.cli.place import preferences_of, root_of
from sidekeep.cli.returning import change_of, tell_queued
from sidekeep.service.returning import retry


def run(arguments: argparse.Namespace) -> int:
    """Put the job back to work."""
    root = root_of(preferences_of(arguments))
    retry(root, arguments.job, change_of(arguments))
    tell_queued(arguments, root, arguments.job)
    return exit_codes.DONE
