"""Skip: the stylus jumps, and the music after a hard edge does not continue the music before it."""

from __future__ import annotations

import numpy as np

from sidekeep.findings.scene import Scene
from sidekeep.model import Finding, Severity, Span

_BROKEN = 0.8
_SURE_BROKEN, _SURE_BESIDE = 1.0, 0.1
_TOGETHER_S = 0.1
_EDGE_S = 0.3
_MANY = 2  # music that breaks more often on one side was made so: edits, scratching


def find(scene: Scene, *, beside: float) -> tuple[Finding, ...]:
    """Look for hard edges across which sustained sound breaks, though beside them it goes on.

    Only music with sustained tones can tell; across a drum break or speech nothing is said.

    Args:
        scene: the side.
        beside: the largest error of continuing the music beside the edge, 0 to 1, that still
            says enough about what should lie across it.
    """
    events = scene.seen.events
    first, last = scene.ticks(scene.side.programme)
    edge = _EDGE_S * scene.ticks_per_second
    broken = (events.break_error[:, 0] >= _BROKEN) & (events.break_error[:, 1] <= beside)
    broken &= (events.break_tick >= first + edge) & (events.break_tick < last - edge)
    places: list[int] = []
    for place in np.flatnonzero(broken).tolist():
        apart = events.break_tick[place] - events.break_tick[places[-1]] if places else np.inf
        if apart > _TOGETHER_S * scene.ticks_per_second:
            places.append(place)
    if len(places) > _MANY:
        return ()
    return tuple(_told(scene, place) for place in places)


def _told(scene: Scene, place: int) -> Finding:
    events = scene.seen.events
    across, beside = (float(error) for error in events.break_error[place])
    start = int(events.break_tick[place]) * events.tick_frames
    sure = across >= _SURE_BROKEN and beside <= _SURE_BESIDE
    detail = f"The music breaks at {scene.clock(start)}: the stylus jumped, or samples were lost."
    return Finding(
        "skip",
        Severity.AGAIN if sure else Severity.LISTEN,
        Span(start, start + events.tick_frames),
        detail,
        {"error_across": round(across, 2), "error_beside": round(beside, 2)},
    )
