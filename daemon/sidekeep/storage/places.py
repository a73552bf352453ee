"""Where a file may go in the archive without replacing anything, on any file system.

Two names clash when any file system calls them equal: same letters in another case, or composed and
decomposed accents. An existing folder lends its spelling, an existing file makes the newcomer take a
number.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from sidekeep.naming import folded, numbered
from sidekeep.storage.faults import faults


@dataclass(slots=True)
class Places:
    """Finds places below `archive`; `leaving` are paths that will be free by then.

    Places given once are taken for the next.
    """

    archive: Path
    leaving: Collection[str] = ()
    _taken: set[str] = field(default_factory=set)
    _listed: dict[str, Mapping[str, str]] = field(default_factory=dict)

    def place(self, wanted: str) -> str:
        """Give the path, relative to the archive, nearest to the wanted one.

        Raises:
            MachineFault: a folder cannot be read.
        """
        *folders, name = wanted.split("/")
        folder = ""
        for component in folders:
            folder += self._folder(folder, component) + "/"
        number = 1
        while self._is_taken(folder, path := folder + numbered(name, number)):
            number += 1
        self._taken.add(folded(path))
        return path

    def _folder(self, parent: str, component: str) -> str:
        """Give the spelling of a folder: that of an existing one, a number if a file is in its way."""
        number = 1
        while True:
            name = numbered(component, number)
            there = self._entries(parent).get(folded(name))
            if there is None:
                return name
            if (self.archive / parent / there).is_dir():
                return there
            number += 1

    def _is_taken(self, folder: str, path: str) -> bool:
        if folded(path) in self._taken:
            return True
        there = self._entries(folder).get(folded(path.rpartition("/")[2]))
        return there is not None and folder + there not in self.leaving

    def _entries(self, folder: str) -> Mapping[str, str]:
        """Give what lies in a folder, by folded name; an exact spelling is not preferred."""
        if folder not in self._listed:
            where = self.archive / folder
            with faults("looking into", where):
                names = os.listdir(where) if where.is_dir() else []  # noqa: PTH208
            self._listed[folder] = _by_folded_name(names)
        return self._listed[folder]


def _by_folded_name(names: Iterable[str]) -> dict[str, str]:
    return {folded(name): name for name in sorted(names)}
