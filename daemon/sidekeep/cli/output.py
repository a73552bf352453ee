"""How commands speak: text for people, JSON for programs, complaints on standard error."""

from __future__ import annotations

import json
import os
import sys
from typing import Any

from sidekeep.errors import SidekeepError
from sidekeep.plain import plain
from sidekeep.storage.faults import LATER


def print_json(value: Any) -> None:
    """Print a value as JSON."""
    json.dump(value, sys.stdout, indent=2, ensure_ascii=False, default=str)
    print()


def say(text: str = "") -> None:
    """Print a line of text, free of control characters."""
    print("\n".join(plain(line) for line in text.split("\n")))


def complain(error: SidekeepError) -> None:
    """Print what went wrong and what can be done, on standard error; the command is at its end."""
    for text in (error.message.removesuffix(LATER).rstrip(), error.advice):
        for line in text.split("\n") if text else ():
            print(plain(line), file=sys.stderr)


def is_terminal() -> bool:
    """Whether a person watches: progress bars only then, never in a pipe."""
    return sys.stderr.isatty() and os.environ.get("TERM") != "dumb"


def bold(text: str) -> str:
    """Print a heading bold on a terminal, unless NO_COLOR is set (no-color.org)."""
    if sys.stdout.isatty() and not os.environ.get("NO_COLOR"):
        return f"\033[1m{text}\033[0m"
    return text
