"""The whole command line: every command, its options and its help; knows nothing that works.

Each command is a module of this package with a `run`, imported only after its line was understood, so
that help and mistakes are answered at once.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

from sidekeep import __version__
from sidekeep.cli import exit_codes

SHELLS = ("bash", "zsh", "tcsh", "fish")

Parser = argparse.ArgumentParser


def build_parser() -> Parser:
    """Build the parser of all commands."""
    parser = Parser(
        prog="sidekeep",
        description="Turns recordings of record sides into masters, tagged tracks and manifests.",
        epilog=exit_codes.table(),
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"%(prog)s {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, (summary, more, add_options) in _COMMANDS.items():
        command = commands.add_parser(
            name,
            help=summary,
            description=f"{summary[0].upper()}{summary[1:]}. {more}".strip(),
            allow_abbrev=False,
        )
        add_options(command)
    return parser


# --- options that several commands share --------------------------------------------------------


def _place(parser: Parser) -> None:
    parser.add_argument("--root", metavar="DIR", help="folder with inbox, work, held, archive, ...")
    parser.add_argument(
        "--settings",
        metavar="FILE",
        type=Path,
        help="settings file (YAML); without it and --root /etc/sidekeep/settings.yaml, where there is one",
    )


def _place_and_json(parser: Parser) -> None:
    _place(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object instead of text")


def _case(parser: Parser) -> None:
    parser.add_argument("--sheet", metavar="FILE", type=Path, help="use this sheet")
    parser.add_argument("--rules", metavar="NAME", help="use this rule set")
    parser.add_argument("--side", metavar="LABEL", help="which side of the record it is")


# --- the commands -------------------------------------------------------------------------------


def _drain(parser: Parser) -> None:
    parser.add_argument(
        "--settle",
        metavar="TIME",
        help="how long a file must have stood still, such as '2 s'; '0 s' when all is there",
    )
    parser.add_argument("--log", action="store_true", help="write the service's log as well")
    _place_and_json(parser)


def _look(parser: Parser) -> None:
    parser.add_argument("file", metavar="FILE", type=Path, help="the recording")
    _case(parser)
    parser.add_argument("--folder", metavar="NAME", help="as if dropped in this inbox folder")
    _place_and_json(parser)


def _rules(parser: Parser) -> None:
    parser.add_argument("file", metavar="FILE", type=Path, nargs="?", help="a recording")
    _case(parser)
    parser.add_argument("--folder", metavar="NAME", help="as if dropped in this inbox folder")
    _place_and_json(parser)


def _jobs(parser: Parser) -> None:
    parser.add_argument("job", metavar="JOB", nargs="?", help="tell all about this job")
    parser.add_argument("--all", action="store_true", help="all filed jobs, not just the newest")
    _place_and_json(parser)


def _one_job(parser: Parser) -> None:
    parser.add_argument("job", metavar="JOB", help="its name, as 'sidekeep jobs' shows it")
    _case(parser)
    _place_and_json(parser)


def _audit(parser: Parser) -> None:
    parser.add_argument("job", metavar="JOB", nargs="*", help="only these jobs")
    parser.add_argument(
        "--within",
        metavar="DAYS",
        type=int,
        help="one day's share: the longest unchecked first, all within so many days",
    )
    _place_and_json(parser)


def _doctor(parser: Parser) -> None:
    parser.add_argument("--quick", action="store_true", help="without a test recording")
    _place_and_json(parser)


def _completion(parser: Parser) -> None:
    parser.add_argument("shell", choices=SHELLS, help="which shell")


_Command = tuple[str, str, Callable[[Parser], None]]

#: In the order in which a person meets them: summary, more help, options.
_COMMANDS: dict[str, _Command] = {
    "watch": (
        "run the service in the foreground",
        "SIGTERM or Ctrl-C stops it, SIGHUP reloads the rule sets, SIGUSR1 makes it look at once. "
        "It logs to standard error, one JSON object a line.",
        _place,
    ),
    "drain": (
        "process what is in the inbox, then exit",
        "For a timer, or for a person who waits. Recordings that another program is still writing "
        "are left for next time.",
        _drain,
    ),
    "look": ("measure a recording and say what would be done", "Writes nothing.", _look),
    "rules": (
        "check all rule sets and list every mistake",
        "For a recording, say which rule set applies and why.",
        _rules,
    ),
    "jobs": ("show what is waiting, running, held, in quarantine and filed", "", _jobs),
    "release": (
        "go on with a held job",
        "Without options its plan.yaml is checked and carried out as it stands, whatever was "
        "uncertain; with another sheet, rule set or side everything is decided again.",
        _one_job,
    ),
    "retry": (
        "try a job in quarantine again",
        "For instance after its file was put right.",
        _one_job,
    ),
    "redo": (
        "do a filed job again from its master",
        "A new job takes the old one's place; the old result stays until the new is committed.",
        _one_job,
    ),
    "audit": (
        "verify the archive against its manifests",
        "Tells rot from edits; changes nothing.",
        _audit,
    ),
    "doctor": ("check a set-up before it matters", "", _doctor),
    "completion": (
        "print completion for a shell",
        "For bash: sidekeep completion bash > ~/.local/share/bash-completion/completions/sidekeep",
        _completion,
    ),
}
