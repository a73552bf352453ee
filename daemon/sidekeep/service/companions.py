"""What belongs to a recording: the sheet and the cover that lie beside it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from sidekeep.service.inbox import Seen
from sidekeep.service.names import COVER_STEMS, SHARED_SHEET_STEM, SHEET_SUFFIXES, Kind


@dataclass(frozen=True, slots=True)
class Companions:
    """The sheet and cover of a recording; None where there is none.

    A companion with the recording's own stem is its alone and moves along; any other serves the whole
    folder and is copied.
    """

    sheet: Seen | None = None
    cover: Seen | None = None
    sheet_is_shared: bool = False
    cover_is_shared: bool = False

    @property
    def files(self) -> tuple[Seen, ...]:
        """The companions there are."""
        return tuple(seen for seen in (self.sheet, self.cover) if seen is not None)


def companions_of(recording: Seen, files: Iterable[Seen]) -> Companions:
    """Find a recording's sheet and cover among the files of the inbox.

    Its own (same stem, same folder) come before the folder's (`record.yaml`; `cover`, `front` or
    `folder` as a picture). Upper and lower case do not matter.
    """
    beside = [seen for seen in files if seen.folder == recording.folder]
    stem = recording.stem.casefold()
    sheet = _first(beside, Kind.SHEET, {stem})
    cover = _first(beside, Kind.COVER, {stem})
    shared_sheet = _first(beside, Kind.SHEET, {SHARED_SHEET_STEM})
    shared_cover = _first(beside, Kind.COVER, COVER_STEMS)
    return Companions(
        sheet=sheet or shared_sheet,
        cover=cover or shared_cover,
        sheet_is_shared=sheet is None and shared_sheet is not None,
        cover_is_shared=cover is None and shared_cover is not None,
    )


def _first(files: Iterable[Seen], kind: Kind, stems: Iterable[str]) -> Seen | None:
    wanted = set(stems)
    return next((s for s in files if s.kind is kind and s.stem.casefold() in wanted), None)


def sheet_beside(recording: Path) -> Path | None:
    """Find the sheet of a recording anywhere on the disk, by the same rule."""
    stems = (recording.stem.casefold(), SHARED_SHEET_STEM)
    sheets = [p for p in sorted(recording.parent.iterdir()) if p.suffix.lower() in SHEET_SUFFIXES]
    found = (p for stem in stems for p in sheets if p.stem.casefold() == stem)
    return next(found, None)
