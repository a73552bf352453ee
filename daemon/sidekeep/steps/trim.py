"""trim: where the programme starts and ends; lead-in, needle noise and run-out go."""

from __future__ import annotations

from dataclasses import dataclass, replace

from sidekeep.dsp.follow import hidden_s
from sidekeep.dsp.groove import BROAD, Play, find_plays
from sidekeep.dsp.islands import Island, find_islands
from sidekeep.dsp.loudness import cell_frames as loudness_cell
from sidekeep.dsp.presence import Presence, find_presence
from sidekeep.dsp.slots import Slots, slots_of
from sidekeep.measurements import Measurements
from sidekeep.model import Plan, Side, Span
from sidekeep.settings import quantity
from sidekeep.steps.step import Step


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How much groove stays around the programme."""

    before_s: float = quantity(
        "before",
        unit="s",
        default=0.5,
        low=0.0,
        high=10.0,
        doc="groove kept before the programme; up to 1.5 s more where it grows out of the noise",
    )
    after_s: float = quantity(
        "after",
        unit="s",
        default=2.5,
        low=0.0,
        high=30.0,
        doc="groove kept after the programme; up to 1.5 s more where it sinks into the noise",
    )
    fade_in_s: float = quantity(
        "fade in", unit="s", default=0.05, low=0.0, high=5.0, doc="fade at the start of a side"
    )
    fade_out_s: float = quantity(
        "fade out", unit="s", default=0.5, low=0.0, high=10.0, doc="fade at the end of a side"
    )
    shortest_side_s: float = quantity(
        "shortest side",
        unit="s",
        default=10.0,
        low=1.0,
        high=600.0,
        doc="a play with less programme is a false start and left out",
    )


@dataclass(frozen=True)
class _Found:
    """A play with its islands of programme; at least one."""

    play: Play
    presence: Presence
    islands: tuple[Island, ...]

    @property
    def slots(self) -> int:
        return self.islands[-1].end - self.islands[0].start


def decide(draft: Plan, seen: Measurements, settings: Settings) -> Plan:
    """Find the plays in the recording and, in each, the programme."""
    slots = slots_of(seen.bands, seen.rate_hz)
    found = []
    for play in find_plays(slots):
        presence = find_presence(slots, play)
        islands = find_islands(presence, slots, play)
        if islands:
            found.append(_Found(play, presence, islands))
    if not found:
        return draft.holding("Nothing stands above the groove noise: no programme was found.")
    longest = max(one.slots for one in found)
    kept = [
        one
        for one in found
        if one.slots == longest
        or one.slots * slots.seconds >= max(settings.shortest_side_s, 0.1 * longest * slots.seconds)
    ]
    labels, reason = _labels(draft, len(kept))
    whole = draft.sides[0]
    sides = []
    for one, label in zip(kept, labels, strict=True):
        side = _side(replace(whole, label=label), one, slots, seen, settings)
        sides.append(side)
        draft = draft.noting(
            "trim",
            "programme_found",
            side=label,
            needle_down_s=draft.seconds(side.needle_down.start),
            needle_up_s=draft.seconds(side.needle_down.end),
            drop_seen=one.play.dropped,
            lift_seen=one.play.lifted,
            programme_start_s=draft.seconds(side.programme.start),
            programme_end_s=draft.seconds(side.programme.end),
            groove_noise_s=sum(span.frames for span in side.groove) / seen.rate_hz,
            groove_noise_db=_groove_db(one.play),
        )
    if len(found) > len(kept):
        draft = draft.noting("trim", "false_starts_left_out", plays=len(found) - len(kept))
    draft = replace(draft, sides=tuple(sides))
    return draft.holding(reason) if reason else draft


def _side(side: Side, found: _Found, slots: Slots, seen: Measurements, settings: Settings) -> Side:
    play = found.play
    down = Span(
        # The noise of the lifted stylus may seem to last a slot longer than it does.
        (play.start - (1 if play.dropped else 0)) * slots.frames,
        play.end * slots.frames if play.end < len(slots.level_db) else seen.frames,
    )
    # A slot speaks for a sound that fills four of its five cells: the sound may begin one earlier.
    first, last = found.islands[0].start, found.islands[-1].end
    start = max(down.start, (first - 1) * slots.frames)
    end = min(down.end, (last + 1) * slots.frames)
    before, after, fade_in, fade_out = (
        round(length_s * seen.rate_hz)
        for length_s in (
            settings.before_s + hidden_s(found.presence, slots, first, backwards=False),
            settings.after_s + hidden_s(found.presence, slots, last, backwards=True),
            settings.fade_in_s,
            settings.fade_out_s,
        )
    )
    # On whole hundredths of a second, as the loudness is known in them.
    whole = loudness_cell(seen.rate_hz)
    begin = max(-(-down.start // whole), (start - before) // whole) * whole
    trimmed = Span(begin, min(down.end, -(-(end + after) // whole) * whole))
    # Fades lie in the padding; where there is none, a hundredth of a second takes off the click.
    least = round(0.01 * seen.rate_hz)
    return replace(
        side,
        needle_down=down,
        programme=Span(start, end),
        trimmed=trimmed,
        groove=tuple(Span(r.start * slots.frames, r.end * slots.frames) for r in play.groove),
        fade_in_frames=min(fade_in, max(start - trimmed.start, least)),
        fade_out_frames=min(fade_out, max(trimmed.end - end, least)),
    )


def _labels(draft: Plan, sides: int) -> tuple[list[str | None], str]:
    """The labels of the sides found, and why a person must look, if so."""
    given = draft.sides[0].label
    if sides == 1:
        return [given], ""
    listed = list(draft.sheet.sides)
    first = listed.index(given) if given in listed else 0
    labels = listed[first : first + sides]
    if len(labels) == sides:
        return list(labels), ""
    names = [chr(ord("A") + place) for place in range(sides)]
    return list(names), (
        f"The stylus was lifted and dropped again: {sides} plays were found, but the sheet "
        f"lists {len(listed)} side{'' if len(listed) == 1 else 's'}."
    )


def _groove_db(play: Play) -> float | None:
    """Groove noise of the middle's bands from 200 Hz up, in dB re full scale."""
    if not play.groove:
        return None
    longest = max(play.groove, key=lambda run: run.slots)
    return round(float(longest.level_db[BROAD].mean()), 1)


STEP = Step("trim", Settings, decide)
