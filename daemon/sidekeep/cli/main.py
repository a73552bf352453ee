"""The command `sidekeep`: one word, then one of its commands."""

from __future__ import annotations

import argparse
import importlib
import sys
from collections.abc import Collection, Sequence

from sidekeep import __version__
from sidekeep.cli import exit_codes
from sidekeep.cli.options import complain
from sidekeep.errors import SidekeepError

#: In the order in which a person meets them. Each is a module of this package with `add_arguments`
#: and `run`, imported only when its command is asked for.
COMMANDS = {
    "watch": "run the service in the foreground",
    "drain": "process what is in the inbox, then exit",
    "look": "measure a recording and say what would be done; writes nothing",
    "rules": "check the rule sets; for a file, say which applies and why",
    "jobs": "what is waiting, running, held, in quarantine, filed",
    "release": "go on with a held job",
    "retry": "try a job in quarantine again",
    "redo": "do a filed job again from its master",
    "audit": "verify the archive against its manifests",
    "doctor": "check a set-up before it matters",
    "completion": "print completion for a shell",
}


def build_parser(wanted: Collection[str]) -> argparse.ArgumentParser:
    """Build the parser; only the wanted commands are imported and get their arguments."""
    parser = argparse.ArgumentParser(
        prog="sidekeep",
        description="Turns recordings of record sides into masters, tagged tracks and manifests.",
        epilog=exit_codes.table(),
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"%(prog)s {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, summary in COMMANDS.items():
        command = commands.add_parser(
            name,
            help=summary,
            formatter_class=argparse.RawDescriptionHelpFormatter,
            allow_abbrev=False,
        )
        if name in wanted:
            module = importlib.import_module(f"sidekeep.cli.{name}")
            command.description = module.__doc__
            command.set_defaults(run=module.run)
            module.add_arguments(command)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command; return its exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    arguments = build_parser(words[:1]).parse_args(words)
    try:
        return int(arguments.run(arguments))
    except SidekeepError as error:
        complain(error)
        return exit_codes.code_of(error)
    except BrokenPipeError:  # the reader of our output has seen enough
        sys.stderr.close()
        return exit_codes.DONE
    except KeyboardInterrupt:
        return exit_codes.INTERRUPTED


if __name__ == "__main__":
    sys.exit(main())
