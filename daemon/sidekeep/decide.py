"""The second act: from measurements, rule set and sheet to a plan; pure, no audio, no disk."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from typing import Any

from sidekeep.measurements import Measurements, let_go_of
from sidekeep.model import Outcome, Plan, Side, Span, Track
from sidekeep.planfile import CorrectedSide, Corrections
from sidekeep.steps import STEPS

#: A plan's file holds thousandths of a second; a cut nearer than this to the proposal is the proposal.
_SAME_S = 0.0006


def draft(plan: Plan, seen: Measurements, label: str | None) -> Plan:
    """Return the plan that the steps start from: one side that spans the whole recording."""
    whole = Span(0, seen.frames)
    return replace(plan, sides=(Side(label, whole, whole, whole),))


def decide(
    plan: Plan,
    seen: Measurements,
    sections: Mapping[str, Any],
    corrections: Corrections | None = None,
) -> Plan:
    """Run the steps that the rule set asks for, in their fixed order.

    Args:
        plan: a draft (see `draft`).
        seen: what the measuring left.
        sections: the rule set's settings per step; None where a step is off.
        corrections: what a person changed in a held plan. It replaces what `split` proposes, and the
            plan is not held again.
    """
    for step in STEPS:
        settings = sections.get(step.name)
        if settings is not None:
            plan = step.decide(plan, seen, settings)
            let_go_of(seen)
        if step.name == "split" and corrections is not None:
            plan = _corrected(plan, seen, corrections)
        if step.name == "split":
            plan = plan.with_sides(partial(_at_least_one_track, seen.channels))
    if corrections is not None:
        plan = replace(plan, outcome=Outcome.FILE, reasons=())
    return plan


def _at_least_one_track(channels: int, side: Side) -> Side:
    """A side that is not split is one track."""
    if side.tracks:
        return side
    gains = (0.0,) * channels
    return replace(
        side, tracks=(Track(1, side.label or "Side", None, side.trimmed, side.programme, gains),)
    )


def _corrected(plan: Plan, seen: Measurements, corrections: Corrections) -> Plan:
    """Replace the sides' cuts and titles by what the person wrote."""
    found = {side.label: side for side in plan.sides}
    sides = []
    for position, written in enumerate(corrections.sides):
        base = found.get(written.label) or plan.sides[min(position, len(plan.sides) - 1)]
        sides.append(_corrected_side(plan, base, written, seen.frames, seen.channels))
    return replace(plan, sides=tuple(sides)).noting("split", "corrected_by_hand", sides=len(sides))


def _corrected_side(
    plan: Plan, side: Side, written: CorrectedSide, frames: int, channels: int
) -> Side:
    proposed = {f for track in side.tracks for f in (track.span.start, track.span.end)}

    def frame(seconds: float) -> int:
        exact = seconds * plan.recording.rate_hz / plan.recording.time_scale
        nearest = min(proposed, key=lambda at: abs(at - exact), default=None)
        if nearest is not None and abs(nearest - exact) < _SAME_S * plan.recording.rate_hz:
            return nearest
        return max(0, min(round(exact), frames))

    tracks = []
    for number, track in enumerate(written.tracks, start=1):
        span = Span(frame(track.start_s), frame(track.end_s))
        music = Span(max(span.start, side.programme.start), min(span.end, side.programme.end))
        if music.frames <= 0:
            music = span
        gains = (0.0,) * channels
        made = Track(number, track.title, track.artist, span, music, gains, why="corrected by hand")
        tracks.append(made)
    if side.tracks:  # the side's own fades stay at its ends
        fade_in = min(side.tracks[0].fade_in_frames, tracks[0].span.frames)
        fade_out = min(side.tracks[-1].fade_out_frames, tracks[-1].span.frames)
        tracks[0] = replace(tracks[0], fade_in_frames=fade_in)
        tracks[-1] = replace(tracks[-1], fade_out_frames=fade_out)
    trimmed = Span(tracks[0].span.start, tracks[-1].span.end)
    return replace(side, label=written.label, trimmed=trimmed, tracks=tuple(tracks))
