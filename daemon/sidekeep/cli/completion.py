"""Prints completion for a shell: put the output where your shell looks for it.

For bash: sidekeep completion bash > ~/.local/share/bash-completion/completions/sidekeep
"""

from __future__ import annotations

import argparse
import importlib

import shtab

from sidekeep.cli import exit_codes


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's own arguments."""
    parser.add_argument("shell", choices=shtab.SUPPORTED_SHELLS, help="which shell")


def run(arguments: argparse.Namespace) -> int:
    """Print the script."""
    main = importlib.import_module("sidekeep.cli.main")
    print(shtab.complete(main.build_parser(main.COMMANDS), shell=arguments.shell))
    return exit_codes.DONE
