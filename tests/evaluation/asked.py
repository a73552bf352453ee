"""The sheets a side is decided with: right ones, none, and ones that disagree with the sound."""

from __future__ import annotations

from composer import Truth
from sidekeep.model import Sheet, SheetTrack

DISAGREEING = frozenset({"more", "fewer", "wrong lengths"})


def sheet_for(ask: str, truth: Truth) -> Sheet:
    """Write the sheet.

    Args:
        ask: `none`; `count` (right titles, no lengths); `lengths` (to the second); `more` or `fewer`
            (a title too many or missing); `wrong lengths` (first and last off by 25 %).
        truth: the side.
    """
    if ask == "none":
        return Sheet()
    titles = [track.title for track in truth.named]
    lengths_s: list[float | None] = [None] * len(titles)
    if ask == "more":
        titles, lengths_s = [*titles, "One More"], [*lengths_s, None]
    elif ask == "fewer":
        titles, lengths_s = titles[:-1], lengths_s[:-1]
    elif ask in {"lengths", "wrong lengths"}:
        lengths_s = list(lengths(truth))
        if ask == "wrong lengths":
            for place in (0, -1):
                lengths_s[place] = round((lengths_s[place] or 0.0) * 1.25)
    tracks = tuple(
        SheetTrack(title, length_s=length_s)
        for title, length_s in zip(titles, lengths_s, strict=True)
    )
    artist, name = "Marlow and the Tide Tables", "Low Water"
    return Sheet(artist=artist, title=name, rpm=truth.rpm, sides={"A": tracks})


def lengths(truth: Truth) -> tuple[float, ...]:
    """Lengths as a sleeve gives them, whole seconds of each track's music with its applause."""
    named = truth.named
    ends_s = [
        max(
            (
                part.end_s
                for part in truth.tracks
                if part.start_s < following_s and part.start_s >= track.start_s
            ),
            default=track.end_s,
        )
        for track, following_s in zip(
            named, [*(track.start_s for track in named[1:]), float("inf")], strict=True
        )
    ]
    return tuple(
        float(round(end_s - track.start_s)) for track, end_s in zip(named, ends_s, strict=True)
    )
