"""Sheets and covers in the inbox whose recordings have gone: removed once their copies are safe.

Nothing is removed unless a copy with the same content lies in a job's folder.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from sidekeep.errors import WrittenWrong
from sidekeep.service.companions import Companions
from sidekeep.service.inbox import Scan, Seen, Stamp
from sidekeep.service.ledger import Entry, Ledger
from sidekeep.service.names import SHARED_SHEET_STEM, Kind
from sidekeep.service.states import State
from sidekeep.sheets import read_sheet
from sidekeep.storage.folders import Root
from sidekeep.storage.order import Order

_LARGEST_BYTES = 32 << 20


def remove_own(root: Root, order: Order, companions: Companions) -> None:
    """Remove the sheet and cover that belonged to one recording alone, after it was claimed.

    Raises:
        OSError: one of them cannot be removed.
    """
    pairs = (
        (companions.sheet, order.sheet, companions.sheet_is_shared),
        (companions.cover, order.cover, companions.cover_is_shared),
    )
    for seen, copy, shared in pairs:
        if seen is not None and copy is not None and not shared:
            _remove_copied(root.inbox / seen.path, [root.work / order.job / copy])


@dataclass(frozen=True, slots=True)
class _Listed:
    """What a sheet lists: the record's name and its sides."""

    record: str
    sides: tuple[str, ...]

    def without(self, entries: Iterable[Entry]) -> tuple[str, ...]:
        """Give the sides that none of these jobs holds; a job of two sides names both."""
        there = [f" {entry.side.casefold()} " for entry in entries]
        return tuple(
            s for s in self.sides if not any(f" {s.casefold()} " in each for each in there)
        )


class SharedSheets:
    """The sheets that serve a whole folder, and the sides of theirs that were not played yet."""

    def __init__(self, root: Root, ledger: Ledger) -> None:
        self._root = root
        self._ledger = ledger
        self._known: dict[Stamp, _Listed] = {}
        self.missing: dict[str, tuple[str, ...]] = {}

    def tidy(self, scan: Scan) -> list[str]:
        """Remove the shared sheets all of whose sides are filed; return their paths.

        Raises:
            OSError: one cannot be read or removed.
        """
        sheets = [
            s for s in scan.files if s.kind is Kind.SHEET and s.stem.casefold() == SHARED_SHEET_STEM
        ]
        self._known = {s.stamp: self._known[s.stamp] for s in sheets if s.stamp in self._known}
        self.missing = {}
        busy = {seen.folder for seen in scan.files if seen.kind is Kind.RECORDING}
        removed = []
        for sheet in sheets:
            entries = self._ledger.sides_of_sheet(sheet.path)
            here = [e for e in entries if e.state in (State.FILED, State.HELD)]
            filed = [e for e in here if e.state is State.FILED]
            listed = self._listed(sheet)
            unplayed = listed.without(here)
            if unplayed and here:
                self.missing[listed.record or sheet.path] = unplayed
            if filed and not listed.without(filed) and sheet.folder not in busy:
                removed += self._remove(sheet, filed, scan)
        return removed

    def _listed(self, sheet: Seen) -> _Listed:
        if sheet.stamp not in self._known:
            try:
                data = (self._root.inbox / sheet.path).read_bytes()
                read = read_sheet(data, sheet.name)
                record = " – ".join(text for text in (read.artist, read.title) if text)
                self._known[sheet.stamp] = _Listed(record, tuple(read.sides))
            except WrittenWrong:
                self._known[sheet.stamp] = _Listed("", ())
        return self._known[sheet.stamp]

    def _remove(self, sheet: Seen, filed: Iterable[Entry], scan: Scan) -> list[str]:
        copies = [self._root.jobs / entry.job for entry in filed]
        path = self._root.inbox / sheet.path
        if not _remove_copied(path, [c / sheet.name for c in copies]):
            return []
        for cover in scan.files:
            if cover.kind is Kind.COVER and cover.folder == sheet.folder:
                _remove_copied(self._root.inbox / cover.path, [c / cover.name for c in copies])
        if sheet.folder:
            with contextlib.suppress(OSError):  # not empty: a person keeps something there
                path.parent.rmdir()
        return [sheet.path]


def _remove_copied(path: Path, copies: Iterable[Path]) -> bool:
    """Remove a file when one of the copies has its content; tell whether it was removed."""
    with contextlib.suppress(FileNotFoundError):
        if path.is_symlink() or path.stat().st_size > _LARGEST_BYTES:
            return False
        content = path.read_bytes()
        for copy in copies:
            if copy.is_file() and copy.read_bytes() == content:
                path.unlink()
                return True
    return False
