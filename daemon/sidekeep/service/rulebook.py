"""The rule sets in force: a copy of the person's folders that is checked before it is used.

Reading a rule set needs the steps and with them the numeric libraries, which the service never loads.
So a child process checks, and what was checked is a copy that nobody edits meanwhile.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from sidekeep.errors import MachineFault, Mistake, WrittenWrong
from sidekeep.service.launch import RULES_VARIABLE

CHECK_S = 45.0  # less than systemd waits for a sign of life


class Rulebook:
    """Rule-set folders under `state/rules/<n>/`; `path` names those in force, for the workers."""

    def __init__(self, state: Path, folders: Sequence[str]) -> None:
        self._home = state / "rules"
        self._folders = folders
        self.path = ""

    def load(self) -> int:
        """Copy the folders, check the copy, and put it in force; return how many rule sets there are.

        Raises:
            WrittenWrong: the rule sets have mistakes; those in force stay.
            MachineFault: they could not be checked.
            OSError: the folders cannot be read or copied.
        """
        copies = self._copied()
        path = os.pathsep.join(map(str, copies))
        try:
            count = check(path)
        except WrittenWrong as error:
            self._remove(copies)
            mistakes = tuple(self._as_written(mistake, copies) for mistake in error.mistakes)
            raise WrittenWrong(mistakes) from error
        except MachineFault:
            self._remove(copies)
            raise
        self.path = path
        return count

    def _as_written(self, mistake: Mistake, copies: list[Path]) -> Mistake:
        """Name the person's own file where the mistake was found in its copy."""
        for copy, folder in zip(copies, self._folders, strict=True):
            if Path(mistake.file).is_relative_to(copy):
                own = Path(folder) / Path(mistake.file).relative_to(copy)
                return replace(mistake, file=str(own))
        return mistake

    def prune(self) -> None:
        """Remove copies that are no longer in force; call it when no worker runs."""
        if not self._home.is_dir():
            return
        kept = {Path(part).parent for part in self.path.split(os.pathsep) if part}
        for copy in self._home.iterdir():
            if copy not in kept:
                shutil.rmtree(copy, ignore_errors=True)

    def _copied(self) -> list[Path]:
        missing = [folder for folder in self._folders if not Path(folder).is_dir()]
        if missing:
            why = "there is no such folder; make it, or correct 'rules' in the settings"
            raise WrittenWrong(tuple(Mistake(folder, 1, 1, why) for folder in missing))
        if not self._folders:
            return []
        self._home.mkdir(exist_ok=True)
        taken = [int(entry.name) for entry in self._home.iterdir() if entry.name.isdecimal()]
        home = self._home / str(max(taken, default=0) + 1)
        home.mkdir()
        copies = []
        for number, folder in enumerate(map(Path, self._folders)):
            copies.append(home / str(number))
            copies[-1].mkdir()
            for file in sorted(folder.glob("*.y*ml")):
                shutil.copyfile(file, copies[-1] / file.name)
        return copies

    def _remove(self, copies: list[Path]) -> None:
        for home in {copy.parent for copy in copies}:
            shutil.rmtree(home, ignore_errors=True)


def check(path: str) -> int:
    """Check rule-set folders (joined as in PATH) in a child process; return how many sets there are.

    Raises:
        WrittenWrong: with every mistake found.
        MachineFault: the machine was too slow, or the child failed.
    """
    environment = {**os.environ, RULES_VARIABLE: path}
    command = [sys.executable, "-m", "sidekeep.cli.main", "rules", "--json", "--root", "/"]
    try:
        done = subprocess.run(
            command, env=environment, capture_output=True, timeout=CHECK_S, check=False
        )
    except subprocess.TimeoutExpired as error:
        raise _unchecked(f"there was no answer within {CHECK_S:.0f} s") from error
    try:
        answer = json.loads(done.stdout)
        mistakes = tuple(
            Mistake(str(m["file"]), int(m["line"]), int(m["column"]), str(m["text"]))
            for m in answer["mistakes"]
        )
        count = len(answer["rule_sets"])
    except (ValueError, KeyError, TypeError) as error:
        last = done.stderr.decode("utf-8", "replace").strip().rpartition("\n")[2]
        raise _unchecked(last or f"the check ended with code {done.returncode}") from error
    if mistakes:
        raise WrittenWrong(mistakes)
    return count


def _unchecked(why: str) -> MachineFault:
    """No mistake of the rule sets: a service ends for good over these, but tries this again."""
    return MachineFault(
        f"The rule sets could not be checked: {why}.",
        "Look whether the machine is busy or its disk or memory full, and try again.",
    )
