"""Prints completion for a shell: put the output where your shell looks for it."""

from __future__ import annotations

import argparse

import shtab

from sidekeep.cli import exit_codes
from sidekeep.cli.commandline import build_parser


def run(arguments: argparse.Namespace) -> int:
    """Print the script."""
    print(shtab.complete(build_parser(), shell=arguments.shell))
    return exit_codes.DONE
