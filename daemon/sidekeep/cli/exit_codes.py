"""The exit codes of every command, in one table.

Numbers from 64 on are those of sysexits(3), the C library's header.
"""

from __future__ import annotations

from sidekeep.errors import (
    MachineFault,
    NeedsPerson,
    Refused,
    SidekeepError,
    Unusable,
    WrittenWrong,
)

DONE = 0
NEEDS_PERSON = 1
WRONG_USAGE = 2
WRITTEN_WRONG = 65
NOT_FOUND = 66
BUSY = 69
INTERNAL = 70
MACHINE_FAULT = 74
TRY_AGAIN = 75
WRONG_SETTINGS = 78
INTERRUPTED = 130

MEANINGS = {
    DONE: "all is well",
    NEEDS_PERSON: "something needs a person: a job is held or in quarantine, an audit found files "
    "that are missing or changed, doctor found a fault",
    WRONG_USAGE: "the command line is wrong",
    WRITTEN_WRONG: "a sheet, plan or rule set has mistakes, or a recording cannot be processed",
    NOT_FOUND: "there is no such job or file, or it is not in the state that was asked for",
    BUSY: "another Sidekeep works on this root",
    INTERNAL: "a fault of Sidekeep itself",
    MACHINE_FAULT: "a disk, share or permission failed",
    TRY_AGAIN: "jobs were deferred; they are tried again next time",
    WRONG_SETTINGS: "the settings file has mistakes, or the rule sets at start-up",
    INTERRUPTED: "ended by Ctrl-C",
}


class WrongSettings(WrittenWrong):
    """The settings file, or what the command line says in its place, has mistakes."""


def code_of(error: SidekeepError) -> int:
    """Give the exit code for an error that ended a command."""
    for kind, code in _CODES.items():
        if isinstance(error, kind):
            return code
    return INTERNAL


def table() -> str:
    """Write the table for the end of `--help`."""
    return "exit codes:\n" + "\n".join(f"  {code:>3}  {text}" for code, text in MEANINGS.items())


_CODES: dict[type[SidekeepError], int] = {
    WrongSettings: WRONG_SETTINGS,
    WrittenWrong: WRITTEN_WRONG,
    Unusable: WRITTEN_WRONG,
    NeedsPerson: NEEDS_PERSON,
    MachineFault: MACHINE_FAULT,
    Refused: NOT_FOUND,
}
