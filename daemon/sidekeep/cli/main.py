"""The command `sidekeep`: understands the line, runs the command, turns errors into exit codes."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Sequence

from sidekeep.cli import exit_codes
from sidekeep.cli.commandline import build_parser
from sidekeep.cli.output import complain
from sidekeep.errors import SidekeepError
from sidekeep.storage.faults import machine_fault


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command; return its exit code."""
    arguments = build_parser().parse_args(argv)
    try:
        command = importlib.import_module(f"sidekeep.cli.{arguments.command}")
        return int(command.run(arguments))
    except SidekeepError as error:
        complain(error)
        return exit_codes.code_of(error)
    except BrokenPipeError:  # the reader of our output has seen enough
        sys.stderr.close()
        return exit_codes.DONE
    except OSError as error:
        complain(machine_fault(error, "working with", error.filename or "the root"))
        return exit_codes.MACHINE_FAULT
    except KeyboardInterrupt:
        return exit_codes.INTERRUPTED


if __name__ == "__main__":
    sys.exit(main())
