"""New names for old cuts: a filed job's plan under a corrected sheet."""

from __future__ import annotations

from dataclasses import replace

from sidekeep.model import Sheet
from sidekeep.planfile import CorrectedSide, Corrections


def retitled(filed: Corrections, sheet: Sheet, label: str | None) -> Corrections | None:
    """Give a filed plan's cuts the sheet's titles; None when the sheet has another number of tracks.

    Args:
        filed: the plan as it was filed.
        sheet: the corrected sheet.
        label: which side the recording is now said to be; counts when it holds one side.
    """
    sides = filed.sides
    if len(sides) == 1 and label is not None:
        sides = (replace(sides[0], label=label),)
    renamed = [_renamed(side, sheet) for side in sides]
    if any(side is None for side in renamed):
        return None
    return Corrections(tuple(side for side in renamed if side is not None))


def _renamed(side: CorrectedSide, sheet: Sheet) -> CorrectedSide | None:
    listed = sheet.sides.get(side.label or "")
    if not listed:
        return side
    if len(listed) != len(side.tracks):
        return None
    tracks = (
        replace(track, title=written.title, artist=written.artist)
        for track, written in zip(side.tracks, listed, strict=True)
    )
    return replace(side, tracks=tuple(tracks))
