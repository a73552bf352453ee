"""split: cuts a side into its tracks, or says why a person must."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np

from sidekeep.dsp.gaps import Gap, find_gaps
from sidekeep.dsp.groove import Play, Run
from sidekeep.dsp.islands import find_islands
from sidekeep.dsp.presence import find_presence
from sidekeep.dsp.slots import Slots, slots_of
from sidekeep.measurements import Measurements
from sidekeep.model import Plan, SheetTrack, Side, Span, Track
from sidekeep.settings import choice, quantity
from sidekeep.steps.step import Step


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What a cut may rest on."""

    by: str = choice(
        "by",
        of=("gaps and sheet", "gaps", "sheet", "none"),
        default="gaps and sheet",
        doc="gaps in the sound, the sheet's lengths, both, or one track per side",
    )
    shortest_gap_s: float = quantity(
        "shortest gap", unit="s", default=0.8, low=0.2, high=30.0, doc="what is shorter is no gap"
    )
    shortest_track_s: float = quantity(
        "shortest track", unit="s", default=12.0, low=1.0, high=1800.0, doc="no track is shorter"
    )
    tolerance_percent: float = quantity(
        "tolerance", unit="%", default=10.0, low=0.5, high=50.0, doc="how far a length may be off"
    )


def decide(draft: Plan, seen: Measurements, settings: Settings) -> Plan:
    """Cut every side."""
    slots = slots_of(seen.bands, seen.rate_hz)
    sides = []
    for side in draft.sides:
        draft, cut = _split(draft, side, slots, seen, settings)
        sides.append(cut)
    return replace(draft, sides=tuple(sides))


def _play(side: Side, slots: Slots) -> Play:
    start, end = side.needle_down.start // slots.frames, side.needle_down.end // slots.frames
    runs = [(s.start // slots.frames, s.end // slots.frames) for s in side.groove]
    groove = tuple(Run(a, b, np.median(slots.level_db[a:b], axis=0)) for a, b in runs)
    return Play(start, min(end, len(slots.level_db)), groove, dropped=True, lifted=True)


def _split(
    draft: Plan, side: Side, slots: Slots, seen: Measurements, settings: Settings
) -> tuple[Plan, Side]:
    play = _play(side, slots)
    presence = find_presence(slots, play)
    islands = find_islands(presence, slots, play)
    gaps: tuple[Gap, ...] = ()
    if settings.by != "none":
        gaps = find_gaps(slots, presence, islands, settings.shortest_gap_s - 0.25)
    written = draft.sheet.sides.get(side.label or "", ())
    if written and len(gaps) != len(written) - 1:
        if len(gaps) > len(written) - 1:
            gaps = tuple(
                sorted(
                    sorted(gaps, key=lambda g: -g.slots)[: len(written) - 1], key=lambda g: g.start
                )
            )
        else:
            draft = draft.holding(
                f"The sheet lists {len(written)} tracks; {len(gaps) + 1} were found."
            )
    draft = draft.noting(
        "split",
        "gaps_found",
        side=side.label,
        gaps=[round(draft.seconds(g.cut * slots.frames), 2) for g in gaps],
    )
    cuts = [side.trimmed.start, *(g.cut * slots.frames for g in gaps), side.trimmed.end]
    tracks = []
    for number, (start, end) in enumerate(itertools.pairwise(cuts), start=1):
        sheet = written[number - 1] if number <= len(written) else SheetTrack(f"Track {number:02d}")
        tracks.append(
            Track(
                number,
                sheet.title,
                sheet.artist,
                Span(start, end),
                Span(start, end),
                (0.0,) * seen.channels,
            )
        )
    return draft, replace(side, tracks=tuple(tracks))


STEP = Step("split", Settings, decide)
