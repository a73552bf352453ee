"""Skip: the stylus jumps, and the music after a hard edge does not continue the music before it."""

from __future__ import annotations

from sidekeep.findings.breaks import Break
from sidekeep.findings.scene import Scene, graded
from sidekeep.model import Finding, Severity, Span

SURELY_JUMPED = 10.0
"""Odds from which it was no knock that made the arm swing."""

_MANY = 3
_TOLD = 5


def find(
    scene: Scene, breaks: tuple[Break, ...], *, listen: float, again: float
) -> tuple[Finding, ...]:
    """Tell the breaks after which the music goes on at another place.

    Three and more on one side are what music looks like that was made of pieces; whether it was, or the
    stylus jumped again and again, only a person can hear, and is told of it in a note.

    Args:
        scene: the side.
        breaks: where the music breaks.
        listen: logarithm of the odds from which a person should hear the place.
        again: the same from which the stylus surely jumped.
    """
    jumps = tuple(
        Finding(
            "skip",
            graded(one.score, listen=listen, again=again),
            one.span,
            _detail(scene.clock(one.span.start), one),
            {"log_odds": round(one.score, 1)},
        )
        for one in breaks
        if one.score >= listen and not one.lost
    )
    return (*jumps, *_many(scene, [one.span for one in breaks if one.alone >= listen > one.score]))


def _detail(clock: str, one: Break) -> str:
    if one.swung and one.score < SURELY_JUMPED:
        return f"The arm swung at {clock}: the stylus jumped, or something knocked at the record player."
    return f"The stylus jumped at {clock}: the music breaks there."


def _many(scene: Scene, spans: list[Span]) -> tuple[Finding, ...]:
    if len(spans) < _MANY:
        return ()
    spans = sorted(spans, key=lambda span: span.start)
    places = ", ".join(scene.clock(span.start) for span in spans[:_TOLD])
    more = f" and {len(spans) - _TOLD} more" if len(spans) > _TOLD else ""
    detail = (
        f"The music breaks at {len(spans)} places: {places}{more}. It was made so, or the stylus jumped; "
        "hear one of them."
    )
    whole = Span(spans[0].start, spans[-1].end)
    return (Finding("skip", Severity.NOTE, whole, detail, {"breaks": float(len(spans))}),)
