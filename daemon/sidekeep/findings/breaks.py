"""Where the music breaks: edges across which nothing that sounded goes on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sidekeep.findings.scene import Scene
from sidekeep.model import Span

_TOGETHER_S = 0.1
_EDGE_S = 0.3
_MANY = 2  # music that breaks more often on one side was made so: edits, scratching
_USUAL = 0.8
_LOST_LIKENESS = 0.5  # a jump to elsewhere is less like its continuation at any distance
_LEAST_LOSS_S = 0.8e-3


@dataclass(frozen=True)
class Break:
    """A place where the music breaks.

    `score` is the natural logarithm of the odds against the other breaks of the side, `lost_s` the
    time that is missing when samples were lost, else 0.
    """

    span: Span
    score: float
    lost_s: float


def find_breaks(scene: Scene) -> tuple[Break, ...]:
    """The breaks of a side, the surest first; at most two, edited music has many.

    Only music with sustained tones can tell; across a drum break or speech nothing is said.
    """
    events = scene.seen.events
    first, last = scene.ticks(scene.side.programme)
    edge = _EDGE_S * scene.ticks_per_second
    inside = (events.break_tick >= first + edge) & (events.break_tick < last - edge)
    ticks, seen = events.break_tick[inside], events.breaks[inside]
    places: list[int] = []
    for place in np.argsort(-seen[:, 0], kind="stable").tolist():
        apart = np.abs(ticks[places] - ticks[place]).min(initial=ticks.max(initial=0) + 1)
        if apart > _TOGETHER_S * scene.ticks_per_second:
            places.append(place)
    usual = max(0.0, _USUAL * float(seen[places[_MANY], 0])) if len(places) > _MANY else 0.0
    found = []
    for place in places[:_MANY]:
        score, lost_s, likeness = (float(value) for value in seen[place])
        lost = likeness >= _LOST_LIKENESS and lost_s >= _LEAST_LOSS_S
        start = int(ticks[place]) * events.tick_frames
        span = Span(start, start + events.tick_frames)
        found.append(Break(span, score - usual, lost_s if lost else 0.0))
    return tuple(found)
