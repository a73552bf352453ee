"""Where the music breaks: edges across which nothing that sounded goes on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.findings.scene import Scene
from sidekeep.model import Span

_TOGETHER_S = 0.1
_EDGE_S = 0.3
# Music that breaks more often on one side was made so: edits, scratching. The third place may score
# so much by chance; what it has above that counts several times against the first two.
_MANY, _ORDINARY, _USUAL = 2, 3.0, 3.0
_MOST = 100  # breaks beyond these say nothing new
_LOST_LIKENESS = 0.6  # a jump to elsewhere is less like its continuation at any distance
_LEAST_LOSS_S = 0.8e-3
_SHARP_DB, _SHARP_SPREAD_DB = (
    6.0,
    1.8,
)  # three quarters of real clicks are less sharp; e-folding above
_MOST_SHARP = 12.0  # what the sharpness of an edge may say
_QUARTER = 0.25
_DRAWN_DB = 45.0  # a side whose edges are such was drawn, as square waves are; its notes break
_REAL_CLICKS = 40  # so many are counted among the edges of the side, which may have few


@dataclass(frozen=True)
class Break:
    """A place where the music breaks.

    `score` is the natural logarithm of the odds against the other breaks of the side, `alone` the same
    if there were none; `lost_s` is the time that is missing when samples were lost, else 0.
    """

    span: Span
    score: float
    lost_s: float
    alone: float


def find_breaks(scene: Scene) -> tuple[Break, ...]:
    """The breaks of a side, the surest first. Where there are many, none scores high: edited music has.

    Two things speak for a break: that what sounded does not go on, which only music with sustained
    tones can tell, and that the edge is sharper than the other edges of the side, and sharper than
    anything that comes through a cartridge.
    """
    events = scene.seen.events
    first, last = scene.ticks(scene.side.programme)
    edge = _EDGE_S * scene.ticks_per_second
    inside = (events.break_tick >= first + edge) & (events.break_tick < last - edge)
    ticks, seen = events.break_tick[inside], events.breaks[inside]
    if ticks.size and np.quantile(seen[:, 3], 1 - _QUARTER) >= _DRAWN_DB:
        return ()
    scores = seen[:, 0] + _sharpness(seen[:, 3].astype(np.float64))
    places: list[int] = []
    for place in np.argsort(-scores, kind="stable").tolist():
        if len(places) > _MANY and (scores[place] < _ORDINARY or len(places) == _MOST):
            break
        apart = np.abs(ticks[places] - ticks[place]).min(initial=ticks.max(initial=0) + 1)
        if apart > _TOGETHER_S * scene.ticks_per_second:
            places.append(place)
    usual = 0.0
    if len(places) > _MANY:
        usual = max(0.0, _USUAL * (float(scores[places[_MANY]]) - _ORDINARY))
    found = []
    for place in places:
        lost_s, likeness = (float(value) for value in seen[place, 1:3])
        lost = likeness >= _LOST_LIKENESS and lost_s >= _LEAST_LOSS_S
        start = int(ticks[place]) * events.tick_frames
        span = Span(start, start + events.tick_frames)
        alone = float(scores[place])
        found.append(Break(span, alone - usual, lost_s if lost else 0.0, alone))
    return tuple(found)


def _sharpness(sharp_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """What sharpness says: how rare it is, by the tail of the side's own edges or of real clicks.

    The sharpest quarter is taken to fall off exponentially; music that was made of hard edges has a
    long tail, and then the sharpest of them says little.
    """
    real = _SHARP_DB - _SHARP_SPREAD_DB * np.log(
        (np.arange(_REAL_CLICKS) + 0.5) / _REAL_CLICKS / _QUARTER
    )
    known = np.concatenate((sharp_db, real))
    quarter = float(np.quantile(known, 1 - _QUARTER))
    spread = float(np.median(known[known > quarter] - quarter)) / np.log(2)
    says = -np.log(_QUARTER) + (sharp_db - quarter) / spread
    result: NDArray[np.float64] = np.where(sharp_db > quarter, np.minimum(says, _MOST_SHARP), 0.0)
    return result
