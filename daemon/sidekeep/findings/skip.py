"""Skip: the stylus jumps, and the music after a hard edge does not continue the music before it."""

from __future__ import annotations

from sidekeep.findings.breaks import Break
from sidekeep.findings.scene import Scene, graded
from sidekeep.model import Finding


def find(
    scene: Scene, breaks: tuple[Break, ...], *, listen: float, again: float
) -> tuple[Finding, ...]:
    """Tell the breaks after which the music goes on at another place.

    Args:
        scene: the side.
        breaks: where the music breaks.
        listen: logarithm of the odds from which a person should hear the place.
        again: the same from which the stylus surely jumped.
    """
    return tuple(
        Finding(
            "skip",
            graded(one.score, listen=listen, again=again),
            one.span,
            f"The stylus jumped at {scene.clock(one.span.start)}: the music breaks there.",
            {"log_odds": round(one.score, 1)},
        )
        for one in breaks
        if one.score >= listen and not one.lost_s
    )
