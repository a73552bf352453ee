"""split: cuts a side into its tracks, or says why a person must."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

from sidekeep.dsp.boundaries import Way, find_ways
from sidekeep.dsp.gaps import Gap
from sidekeep.dsp.gathering import let_go
from sidekeep.dsp.heard import Heard, clock, hear
from sidekeep.dsp.likeness import Cells
from sidekeep.dsp.loudness import cell_frames as loudness_cell
from sidekeep.dsp.segues import change_near
from sidekeep.dsp.slots import slots_of
from sidekeep.measurements import Measurements
from sidekeep.model import Plan, SheetTrack, Side, Span, Track
from sidekeep.settings import choice, quantity
from sidekeep.steps.step import Step

CUT, INSIDE = 0.0, -2.7
"""Logarithms of odds that another track begins after a gap: without a sheet, a gap above the first
is a cut and one below the second is not; what lies between is held. They lie lower than even odds
either way, since silences inside tracks are rarer than where the odds were fitted."""

PLAIN = 1.0
"""The same for every cut when the number of tracks is known."""

MORE, FEWER = 0.0, 4.0
"""How much likelier by its sound a side of more or of fewer tracks than written may be, in
logarithms of odds. A sheet may leave a track out; it hardly makes one up."""

MARGIN = 2.0
"""By how much the best reading of written lengths must be likelier than the next, likewise."""

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
    cells = Cells(seen.bands.level[0], seen.events.tone_hz, seen.bands.cell_frames / seen.rate_hz)
    sides = []
    for side in draft.sides:
        heard = hear(side, slots, cells, settings.shortest_gap_s)
        let_go(seen.events.tone_hz)
        let_go(seen.bands.level)
        written = draft.sheet.sides.get(side.label or "", ())
        proposal = _propose(heard, written, settings)
        sides.append(_with_tracks(side, heard, proposal, written, seen))
        draft = _noted(draft, side, heard, proposal, written)
    return replace(draft, sides=tuple(sides))


def _propose(heard: Heard, written: tuple[SheetTrack, ...], settings: Settings) -> _Proposal:
    if settings.by == "none" or not heard.islands:
        return _Proposal(())
    if written and settings.by != "gaps":
        return _by_sheet(heard, written, settings)
    return _by_gaps(heard, settings)


def _by_gaps(heard: Heard, settings: Settings) -> _Proposal:
    """Cut at every gap after which another track seems to begin; doubt is a reason to hold."""
    reading = heard.readings().of_any()
    reasons = [
        f"At {heard.clock(gap.cut)} the sound stops for {gap.slots * heard.slots.seconds:.1f} s, "
        f"but whether another track begins there or it is one track is not certain "
        f"({_share(odds):.0%} for another)."
        for place, (gap, odds) in enumerate(zip(heard.gaps, reading.odds, strict=True))
        if (odds < CUT if place in reading.cuts else odds > INSIDE)
    ]
    cuts = tuple(_gap_cut(heard, place, reading.odds[place]) for place in reading.cuts)
    edges_s = map(heard.seconds, heard.edges(tuple(cut.slot for cut in cuts)))
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


def _by_sheet(heard: Heard, written: tuple[SheetTrack, ...], settings: Settings) -> _Proposal:
    """Lay the written tracks over what was heard."""
    if all(track.length_s is None for track in written):
        return _by_number(heard, written, settings)
    start_s, end_s = map(heard.seconds, heard.edges(()))
    ways = find_ways(
        start_s,
        end_s,
        heard.places(by_sound=settings.by == "gaps and sheet"),
        [track.length_s for track in written],
        tolerance=settings.tolerance_percent / 100,
        speeds=SPEEDS,
    )
    if not ways:
        return _disagreeing(heard, written, settings)
    margin = ways[1].cost - ways[0].cost if len(ways) > 1 else math.inf
    left_out = [gap for place, gap in enumerate(heard.gaps) if place not in ways[0].places]
    if None in ways[0].places and any(gap.likeness.odds > CUT for gap in left_out):
        return _disagreeing(heard, written, settings)
    return _Proposal(
        _way_cuts(heard, ways[0], margin),
        (_uncertain(heard, written),) if margin < MARGIN else (),
    )


def _by_number(heard: Heard, written: tuple[SheetTrack, ...], settings: Settings) -> _Proposal:
    """Cut into as many tracks as are written, at the likeliest gaps."""
    by_sound = settings.by == "gaps and sheet"
    readings = heard.readings(by_sound=by_sound)
    count = len(written)
    reading = readings.of(count)
    if reading is None:
        return _disagreeing(heard, written, settings)
    reasons = []
    if any(reading.odds[place] < PLAIN for place in reading.cuts):
        reasons.append(_uncertain(heard, written))
    against = -math.inf
    for other, most in (
        (readings.likeliest(more_than=count), MORE),
        (readings.likeliest(fewer_than=count), FEWER),
    ):
        if other is not None and by_sound:
            against = max(against, other.weight - reading.weight)
            if other.weight - reading.weight > most:
                reasons.append(_another_number(heard, written, reading.cuts, other.cuts))
    cuts = [
        _gap_cut(heard, place, reading.odds[place], _share(FEWER - against), "; as the sheet says")
        for place in reading.cuts
    ]
    return _Proposal(tuple(cuts), tuple(reasons))


def _uncertain(heard: Heard, written: tuple[SheetTrack, ...]) -> str:
    return (
        f"{_listing(written)} and the side has {len(heard.gaps)} gaps or silences; which of them "
        "are cuts is not certain."
    )


def _another_number(
    heard: Heard,
    written: tuple[SheetTrack, ...],
    cuts: tuple[int, ...],
    other: tuple[int, ...],
) -> str:
    """Why the number of tracks that the sheet gives is doubtful."""
    more = [heard.clock(heard.gaps[place].cut) for place in other if place not in cuts]
    fewer = [heard.clock(heard.gaps[place].cut) for place in cuts if place not in other]
    if len(other) > len(cuts):
        return (
            f"{_listing(written)}, but another track seems to begin at {', '.join(more)} as well."
        )
    return (
        f"{_listing(written)}; for that the silence at {', '.join(fewer)} must be a cut, but the "
        "music goes on after it as before."
    )


def _way_cuts(heard: Heard, way: Way, margin: float) -> tuple[_Cut, ...]:
    cuts = []
    for cut_s, place in zip(way.cuts_s, way.places, strict=True):
        if place is not None:
            odds = max(heard.gaps[place].likeness.odds, margin)
            cuts.append(_gap_cut(heard, place, odds, 1.0, "; as the sheet's lengths say"))
            continue
        expected = round(cut_s / heard.slots.seconds)
        slot = change_near(heard.slots, heard.presence, expected, heard.slots.count(1.2))
        moved_s = (slot - expected) * heard.slots.seconds
        cuts.append(
            _Cut(slot, 0.7, f"no gap; by the sheet's lengths, moved {moved_s:+.1f} s to a change")
        )
    return tuple(cuts)


def _disagreeing(heard: Heard, written: tuple[SheetTrack, ...], settings: Settings) -> _Proposal:
    """What was heard as the proposal, with the difference as the reason."""
    found = _by_gaps(heard, settings)
    edges = heard.edges(tuple(cut.slot for cut in found.cuts))
    lengths = ", ".join(heard.clock(b - a) for a, b in itertools.pairwise(edges))
    listed = ", ".join(
        "no length" if track.length_s is None else clock(track.length_s) for track in written
    )
    known = any(track.length_s is not None for track in written)
    count = len(found.cuts) + 1
    were = "was" if count == 1 else "were"
    return _Proposal(
        found.cuts,
        (
            f"{_listing(written)}{f' ({listed})' if known else ''}; {count} {were} found ({lengths}).",
        ),
    )


def _gap_cut(heard: Heard, place: int, odds: float, trust: float = 1.0, also: str = "") -> _Cut:
    gap = heard.gaps[place]
    one = gap.likeness
    beat = "goes on in time" if one.beat > 0.5 else "does not go on"
    why = (
        f"gap of {gap.slots * heard.slots.seconds:.1f} s; before it the sound ends "
        f"{one.before_db:.0f} dB, after it begins {one.after_db:.0f} dB above the groove noise; "
        f"beyond what each side varies by itself, the stereo image differs {one.width:.1f} times, "
        f"notes by {max(one.notes, 0):.2f}, tempo by {max(one.tempo, 0):.2f}; the beat {beat}"
    )
    return _Cut(gap.cut, _share(odds) * trust, why + also, gap)


def _share(odds: float) -> float:
    """The probability that belongs to the logarithm of odds."""
    return 1 / (1 + math.exp(-min(max(odds, -30.0), 30.0)))


def _with_tracks(
    side: Side,
    heard: Heard,
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
    heard: Heard,
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


STEP = Step("split", Settings, decide)
