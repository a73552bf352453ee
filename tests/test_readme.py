"""The README says what the code does: its tables are made of the code's own declarations.

`python tests/test_readme.py` writes them anew.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from sidekeep.cli import exit_codes
from sidekeep.cli.commandline import _COMMANDS
from sidekeep.keytables import all_tables, key_table
from sidekeep.preferences import Preferences
from sidekeep.steps import STEPS

README = Path(__file__).parent.parent / "README.md"


STEP_KEYS = ("<!-- keys of the steps -->", "<!-- end of keys -->")
SETTINGS = ("<!-- keys of the settings -->", "<!-- end of settings -->")
EXIT_CODES = ("<!-- exit codes -->", "<!-- end of exit codes -->")


def tables() -> dict[tuple[str, str], str]:
    """Make the tables, by the comment lines they stand between."""
    codes = "".join(f"| {code} | {text} |\n" for code, text in exit_codes.MEANINGS.items())
    return {
        STEP_KEYS: all_tables({step.name: step.settings for step in STEPS}),
        SETTINGS: key_table(Preferences),
        EXIT_CODES: f"| exit code | meaning |\n|---|---|\n{codes}",
    }


@pytest.mark.parametrize("place", [STEP_KEYS, SETTINGS, EXIT_CODES])
def test_tables_are_those_of_the_code(place: tuple[str, str]) -> None:
    start, end = place
    written = README.read_text(encoding="utf-8").split(start)[1].split(end)[0]
    assert written.strip() == tables()[place].strip()


@pytest.mark.parametrize("command", _COMMANDS)
def test_every_command_is_in_the_readme(command: str) -> None:
    assert f"| `sidekeep {command}" in README.read_text(encoding="utf-8")


def write() -> None:
    """Put fresh tables into the README."""
    text = README.read_text(encoding="utf-8")
    for (start, end), table in tables().items():
        before, rest = text.split(start)
        text = f"{before}{start}\n\n{table.strip()}\n\n{end}{rest.split(end)[1]}"
    README.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    write()
