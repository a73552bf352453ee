"""split: cuts a side into its tracks, or says why a person must."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

import numpy as np

from sidekeep.dsp.boundaries import Place, Way, find_ways
from sidekeep.dsp.gaps import Gap, find_gaps
from sidekeep.dsp.groove import Play, Run
from sidekeep.dsp.islands import Island, find_islands
from sidekeep.dsp.loudness import cell_frames as loudness_cell
from sidekeep.dsp.presence import Presence, find_presence
from sidekeep.dsp.segues import change_near
from sidekeep.dsp.slots import Slots, slots_of
from sidekeep.measurements import Measurements
from sidekeep.model import Plan, SheetTrack, Side, Span, Track
from sidekeep.settings import choice, quantity
from sidekeep.steps.step import Step

SURE, INSIDE = -0.3, -1.2
"""Logarithms of odds that another track begins after a gap: without a sheet, a gap above the first
is a cut and one below the second is not; what lies between, or below, is held."""

POOR, SURPLUS = -0.8, 0.0
"""The same with the number of tracks known: a cut below the first, a silence above the second make
the sheet doubtful."""

MARGIN = 2.0
"""By how much the best reading of a sheet must be likelier than the next, in logarithms of odds."""

SPEEDS = tuple(1 + step / 200 for step in range(-6, 7))
"""Factors of all written lengths that are tried: a deck up to 3 % fast or slow."""


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
        "shortest track",
        unit="s",
        default=20.0,
        low=1.0,
        high=1800.0,
        doc="a shorter track is held unless the sheet gives its length",
    )
    longest_track_s: float = quantity(
        "longest track",
        unit="s",
        default=720.0,
        low=60.0,
        high=7200.0,
        doc="without a sheet, a longer track is held: tracks may run into each other in it",
    )
    tolerance_percent: float = quantity(
        "tolerance", unit="%", default=10.0, low=0.5, high=50.0, doc="how far a length may be off"
    )


@dataclass(frozen=True)
class _Heard:
    """A side as it was heard."""

    slots: Slots
    presence: Presence
    islands: tuple[Island, ...]
    gaps: tuple[Gap, ...]

    def seconds(self, slot: int) -> float:
        return slot * self.slots.seconds


@dataclass(frozen=True)
class _Cut:
    """One cut in slots, how sure it is and why."""

    slot: int
    certainty: float
    why: str
    gap: Gap | None = None


@dataclass(frozen=True)
class _Proposal:
    """Cuts, and the reasons why a person must look."""

    cuts: tuple[_Cut, ...]
    reasons: tuple[str, ...] = ()


def decide(draft: Plan, seen: Measurements, settings: Settings) -> Plan:
    """Cut every side."""
    slots = slots_of(seen.bands, seen.rate_hz)
    sides = []
    for side in draft.sides:
        heard = _hear(side, slots, settings)
        written = draft.sheet.sides.get(side.label or "", ())
        proposal = _propose(heard, written, settings)
        sides.append(_with_tracks(side, heard, proposal, written, seen))
        draft = _noted(draft, side, heard, proposal, written)
    return replace(draft, sides=tuple(sides))


def _hear(side: Side, slots: Slots, settings: Settings) -> _Heard:
    start, end = side.needle_down.start // slots.frames, side.needle_down.end // slots.frames
    runs = [(span.start // slots.frames, span.end // slots.frames) for span in side.groove]
    groove = tuple(Run(a, b, np.median(slots.level_db[a:b], axis=0)) for a, b in runs)
    play = Play(start, min(end, len(slots.level_db)), groove, dropped=True, lifted=True)
    presence = find_presence(slots, play)
    islands = find_islands(presence, slots, play)
    shortest_s = settings.shortest_gap_s - 2 * slots.seconds
    return _Heard(slots, presence, islands, find_gaps(slots, presence, islands, shortest_s))


def _propose(heard: _Heard, written: tuple[SheetTrack, ...], settings: Settings) -> _Proposal:
    if settings.by == "none" or not heard.islands:
        return _Proposal(())
    if written and settings.by != "gaps":
        return _by_sheet(heard, written, settings)
    return _by_gaps(heard, settings)


def _by_gaps(heard: _Heard, settings: Settings) -> _Proposal:
    """Cut at every gap after which another track seems to begin; doubt is a reason to hold."""
    gaps = [gap for gap in heard.gaps if gap.likeness.odds > INSIDE]
    doubtful = [gap for gap in heard.gaps if gap.likeness.odds < SURE]
    reasons = [
        f"At {_clock(heard.seconds(gap.cut))} the sound stops for "
        f"{gap.slots * heard.slots.seconds:.1f} s, but the music after it is so like that before "
        "that it may be one track."
        for gap in doubtful
    ]
    cuts = tuple(_gap_cut(gap) for gap in gaps)
    edges_s = [
        heard.seconds(slot)
        for slot in (heard.islands[0].start, *(cut.slot for cut in cuts), heard.islands[-1].end)
    ]
    lengths_s = [b - a for a, b in itertools.pairwise(edges_s)]
    if cuts and min(lengths_s) < settings.shortest_track_s:
        reasons.append(
            f"A track would be only {min(lengths_s):.0f} s long; the shortest allowed is "
            f"{settings.shortest_track_s:g} s."
        )
    if max(lengths_s) > settings.longest_track_s:
        reasons.append(
            f"A track would be {max(lengths_s) / 60:.0f} minutes long; tracks that run into each "
            "other show no gap. A sheet with lengths would tell."
        )
    return _Proposal(cuts, tuple(reasons))


def _by_sheet(heard: _Heard, written: tuple[SheetTrack, ...], settings: Settings) -> _Proposal:
    """Lay the written tracks over what was heard."""
    places = [
        Place(
            heard.seconds(gap.start),
            heard.seconds(gap.cut),
            heard.seconds(gap.end),
            gap.likeness.odds if settings.by == "gaps and sheet" else 0.0,
        )
        for gap in heard.gaps
    ]
    lengths_s = [track.length_s for track in written]
    measured = any(length_s is not None for length_s in lengths_s)
    ways = find_ways(
        heard.seconds(heard.islands[0].start),
        heard.seconds(heard.islands[-1].end),
        places,
        lengths_s,
        tolerance=settings.tolerance_percent / 100,
        speeds=SPEEDS if measured else (1.0,),
    )
    if not ways:
        return _disagreeing(heard, written, settings)
    reasons = []
    margin = ways[1].cost - ways[0].cost if len(ways) > 1 else math.inf
    if margin < MARGIN:
        reasons.append(
            f"{_listing(written)} and the side has {len(heard.gaps)} gaps or silences; which of "
            "them are cuts is not certain."
        )
    segues = None in ways[0].places
    surplus = [
        gap
        for place, gap in enumerate(heard.gaps)
        if place not in ways[0].places
        and gap.likeness.odds > (SURE if segues else SURPLUS)
        and (segues or not measured)
    ]
    if surplus and segues:
        return _disagreeing(heard, written, settings)
    if surplus:
        times = ", ".join(_clock(heard.seconds(gap.cut)) for gap in surplus)
        reasons.append(f"{_listing(written)}, but another track seems to begin at {times} as well.")
    poor = [
        heard.gaps[place]
        for place in ways[0].places
        if place is not None and heard.gaps[place].likeness.odds < POOR
    ]
    if poor and not measured:
        times = ", ".join(_clock(heard.seconds(gap.cut)) for gap in poor)
        reasons.append(
            f"{_listing(written)}; for that the silence at {times} must be a cut, but the music "
            "goes on after it as before."
        )
    return _Proposal(_way_cuts(heard, ways[0], margin), tuple(reasons))


def _way_cuts(heard: _Heard, way: Way, margin: float) -> tuple[_Cut, ...]:
    cuts = []
    for cut_s, place in zip(way.cuts_s, way.places, strict=True):
        if place is not None:
            cut = _gap_cut(heard.gaps[place])
            sure = 1 - math.exp(-max(margin, 0.1))
            cuts.append(
                replace(
                    cut, certainty=max(cut.certainty, sure), why=cut.why + "; as the sheet says"
                )
            )
            continue
        expected = round(cut_s / heard.slots.seconds)
        slot = change_near(heard.slots, heard.presence, expected, heard.slots.count(1.2))
        moved_s = (slot - expected) * heard.slots.seconds
        cuts.append(
            _Cut(slot, 0.7, f"no gap; by the sheet's lengths, moved {moved_s:+.1f} s to a change")
        )
    return tuple(cuts)


def _disagreeing(heard: _Heard, written: tuple[SheetTrack, ...], settings: Settings) -> _Proposal:
    """What was heard as the proposal, with the difference as the reason."""
    found = _by_gaps(heard, settings)
    edges = (heard.islands[0].start, *(cut.slot for cut in found.cuts), heard.islands[-1].end)
    lengths = ", ".join(_clock(heard.seconds(b - a)) for a, b in itertools.pairwise(edges))
    listed = ", ".join(
        "no length" if track.length_s is None else _clock(track.length_s) for track in written
    )
    return _Proposal(
        found.cuts,
        (f"{_listing(written)} ({listed}); {len(found.cuts) + 1} were found ({lengths}).",),
    )


def _gap_cut(gap: Gap) -> _Cut:
    one = gap.likeness
    certainty = 1 / (1 + math.exp(-one.odds))
    why = (
        f"gap; music differs by {one.shape_db:.1f} dB in colour and {one.width_db:.1f} dB in width, "
        f"ends {one.before_db:.0f} dB and begins {one.after_db:.0f} dB above the groove noise"
    )
    return _Cut(gap.cut, certainty, why, gap)


def _with_tracks(
    side: Side,
    heard: _Heard,
    proposal: _Proposal,
    written: tuple[SheetTrack, ...],
    seen: Measurements,
) -> Side:
    frames = heard.slots.frames
    # On whole hundredths of a second, as the loudness is known in them.
    whole = loudness_cell(seen.rate_hz)
    cuts = (round(cut.slot * frames / whole) * whole for cut in proposal.cuts)
    edges = [side.trimmed.start, *cuts, side.trimmed.end]
    starts = [side.programme.start]
    ends = []
    for cut in proposal.cuts:
        ends.append((cut.gap.start if cut.gap else cut.slot) * frames)
        starts.append((cut.gap.end if cut.gap else cut.slot) * frames)
    ends.append(side.programme.end)
    reasons = [
        (1.0, "start of the programme"),
        *((cut.certainty, cut.why) for cut in proposal.cuts),
    ]
    tracks = []
    for place, (span, music) in enumerate(
        zip(itertools.pairwise(edges), zip(starts, ends, strict=True), strict=True)
    ):
        line = SheetTrack(f"Track {place + 1:02d}")
        if place < len(written):
            line = written[place]
        tracks.append(
            Track(
                number=place + 1,
                title=line.title,
                artist=line.artist,
                span=Span(*span),
                music=Span(*music),
                gain_db=(0.0,) * seen.channels,
                fade_in_frames=side.fade_in_frames if place == 0 else 0,
                fade_out_frames=side.fade_out_frames if place == len(proposal.cuts) else 0,
                certainty=reasons[place][0],
                why=reasons[place][1],
            )
        )
    return replace(side, tracks=tuple(tracks))


def _noted(
    draft: Plan,
    side: Side,
    heard: _Heard,
    proposal: _Proposal,
    written: tuple[SheetTrack, ...],
) -> Plan:
    draft = draft.noting(
        "split",
        "gaps_heard",
        side=side.label,
        written_tracks=len(written),
        gaps=[
            {
                "at_s": round(draft.seconds(gap.cut * heard.slots.frames), 2),
                "length_s": round(gap.slots * heard.slots.seconds, 2),
                "odds": round(gap.likeness.odds, 2),
            }
            for gap in heard.gaps
        ],
    )
    for cut in proposal.cuts:
        draft = draft.noting(
            "split",
            "cut",
            side=side.label,
            at_s=round(draft.seconds(cut.slot * heard.slots.frames), 2),
            certainty=round(cut.certainty, 3),
            why=cut.why,
        )
    return draft.holding(*proposal.reasons) if proposal.reasons else draft


def _listing(written: tuple[SheetTrack, ...]) -> str:
    return f"The sheet lists {len(written)} track{'' if len(written) == 1 else 's'}"


def _clock(seconds: float) -> str:
    return f"{int(seconds) // 60}:{seconds % 60:04.1f}"


STEP = Step("split", Settings, decide)
