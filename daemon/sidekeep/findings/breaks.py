"""Where the music breaks: edges across which nothing that sounded goes on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.edges import SUDDEN_DB
from sidekeep.findings.beat import BeatJumps
from sidekeep.findings.scene import Scene
from sidekeep.model import Span

_TOGETHER_S = 0.1
_EDGE_S = 0.3
# Music that breaks more often on one side was made so: edits, scratching. The third place may score
# so much by chance; what it has above that counts several times against the first two.
_MANY, _ORDINARY, _USUAL = 2, 3.0, 3.0
_MOST = 100  # breaks beyond these say nothing new
# A recorder that loses samples leaves one step, and music that goes on as it would have later. A stylus
# that jumps comes down elsewhere; where it leaves the groove and lands there are edges of their own, and
# they ring.
_LIKENESS, _LIKENESS_SAYS = 0.6, 9.0
_SECOND_DB, _EDGES_SAY = 4.0, 0.3
_SINGLE_MOST, _DOUBLE_MOST = 1.4, 2.8
_SECOND_TICKS = 4  # a second edge is looked for so far from the first,
_BESIDE_TICKS = (6, 16)  # and weighed against the edges that lie so far away
_KNOWN_LOSS = 0.6  # likeness from which the length of what is missing can be told
_LEAST_LOSS_S = 0.8e-3
# Three quarters of real clicks are less sharp; e-folding above.
_SHARP_DB, _SHARP_SPREAD_DB = 6.0, 1.8
_MOST_SHARP = 12.0  # what the sharpness of an edge may say
# Four breaks in five are sharper than the first, one in a hundred is softer than the second.
_SOFT_DB, _SOFTEST_DB, _SOFT_SAYS = 15.0, 5.0, -3.0
_SHARP_SAYS = 1.0
# Two sudden edges so close together come with three jumps in four; where music has them, it goes on.
_TWICE_TICKS, _TWICE_SAYS = 4, 3.0
_SAME_SCORE, _SAME_DB = 0.01, 3.0  # one step on the border of two ticks
_QUARTER = 0.25
_DRAWN_DB = 45.0  # a side whose edges are such was drawn, as square waves are; its notes break
# Of 109 good sides, looked at everywhere, none has odds of a jump in the beat above 1.2; of 910 jumps by a
# turn half have. The last: no more than what a person should hear.
_JUMP, _JUMP_SAYS, _JUMP_MOST = 0.8, 10.0, 20.0
_NOT_LOST_MOST = 3.0  # what it may say against lost samples
_GOES_ON, _GOES_ON_SAYS, _GOES_ON_LEAST = 0.5, 8.0, -30.0  # against a break, where the beat goes on
# A place that the beat has may lie so far off, in `_TOGETHER_S`, when an edge is so sure by itself.
_BEAT_OFF, _SURE = 5, 7.0
_NO_EDGE = -5.0  # where the beat jumps and no edge was examined
_REAL_CLICKS = 40  # so many are counted among the edges of the side, which may have few


@dataclass(frozen=True)
class Break:
    """A place where the music breaks.

    `score` is the natural logarithm of the odds against the other breaks of the side, `alone` the same
    if there were none; `lost` says that the recorder lost samples, and `lost_s` the time that is missing
    then, 0 when it cannot be told.
    """

    span: Span
    score: float
    lost: bool
    lost_s: float
    alone: float


def find_breaks(scene: Scene) -> tuple[Break, ...]:
    """The breaks of a side, the surest first. Where there are many, none scores high: edited music has.

    Three things speak for a break: that what sounded does not go on, which only music with sustained
    tones can tell; that the edge is sharper than the other edges of the side, and sharper than
    anything that comes through a cartridge; that the beat is a turn ahead from there on.
    """
    events = scene.seen.events
    first, last = scene.ticks(scene.side.programme)
    edge = _EDGE_S * scene.ticks_per_second
    inside = (events.break_tick >= first + edge) & (events.break_tick < last - edge)
    ticks, seen = events.break_tick[inside], events.breaks[inside]
    if ticks.size and np.quantile(seen[:, 3], 1 - _QUARTER) >= _DRAWN_DB:
        return ()
    scores = seen[:, 0] + _sharpness(seen[:, 3].astype(np.float64))
    twice = _twice(ticks, seen)
    scores[twice & (seen[:, 0] > 0)] += _TWICE_SAYS
    beat = BeatJumps(scene)
    jumps = beat.places()
    # Where the beat jumps there may be a break that no edge told of.
    ticks = np.concatenate((ticks, np.array([tick for tick, _ in jumps], np.int64)))
    seen = np.pad(seen, ((0, len(jumps)), (0, 0)))
    twice = np.pad(twice, (0, len(jumps)))
    scores = np.pad(scores, (0, len(jumps)), constant_values=_NO_EDGE)
    together = _TOGETHER_S * scene.ticks_per_second
    said = _said(ticks, scores, beat, jumps, together)
    usual = _usual(scores[_apart(ticks, scores, together)])
    places = _apart(ticks, scores + np.maximum(said, 0), together)
    # Breaks over which the beat goes on say nothing against one where it jumps.
    usual_jump = _usual(np.sort((scores + said)[places])[::-1])
    found = []
    for place in places:
        lost_s, likeness, sharp_db = (float(value) for value in seen[place, 1:])
        tick, alone = int(ticks[place]), float(scores[place])
        hardest_db, second_db = _edges_db(scene, tick)
        edges = _DOUBLE_MOST if twice[place] else _edges_odds(second_db, hardest_db - sharp_db)
        jumps_say = min(max(float(said[place]), 0.0), _NOT_LOST_MOST)
        lost = _LIKENESS_SAYS * (likeness - _LIKENESS) > edges + jumps_say
        known = lost and likeness >= _KNOWN_LOSS and lost_s >= _LEAST_LOSS_S
        # Where samples are lost the beat goes on, so that it speaks against nothing.
        alone += max(float(said[place]), 0.0) if lost else float(said[place])
        score = alone - (usual_jump if said[place] > 0 and not lost else usual)
        start = tick * events.tick_frames
        span = Span(start, start + events.tick_frames)
        found.append(Break(span, score, lost, lost_s if known else 0.0, alone))
    return tuple(sorted(found, key=lambda one: -one.score))


def _said(
    ticks: NDArray[np.int64],
    scores: NDArray[np.float64],
    beat: BeatJumps,
    jumps: list[tuple[int, float]],
    together: float,
) -> NDArray[np.float64]:
    """What the beat says of each edge: for one at each place where it jumps, against others; (n,)."""
    said = np.zeros(ticks.size)
    asked = np.flatnonzero(scores >= _ORDINARY)
    goes_on = beat.odds(ticks[asked]) + _GOES_ON
    said[asked] = np.clip(_GOES_ON_SAYS * goes_on, _GOES_ON_LEAST, 0)
    for tick, odds in jumps:
        away = np.abs(ticks - tick)
        near = np.flatnonzero(
            (away <= together) | ((away <= _BEAT_OFF * together) & (scores >= _SURE))
        )
        best = near[scores[near].argmax()]
        said[best] = min(_JUMP_SAYS * max(odds - _JUMP, 0.0), _JUMP_MOST)
    return said


def _apart(ticks: NDArray[np.int64], scores: NDArray[np.float64], together: float) -> list[int]:
    """The places that count, the highest scores first, one of those that lie together."""
    places: list[int] = []
    for place in np.argsort(-scores, kind="stable").tolist():
        if len(places) > _MANY and (scores[place] < _ORDINARY or len(places) == _MOST):
            break
        apart = np.abs(ticks[places] - ticks[place]).min(initial=ticks.max(initial=0) + 1)
        if apart > together:
            places.append(place)
    return places


def _usual(scores: NDArray[np.float64]) -> float:
    """What music that breaks so often takes from each of its breaks; scores from the highest."""
    if scores.size <= _MANY:
        return 0.0
    return max(0.0, _USUAL * (float(scores[_MANY]) - _ORDINARY))


def _edges_odds(second_db: float, ringing_db: float) -> float:
    """Logarithm of the odds that a jump of the stylus made the edges of a place, against lost samples."""
    second = _EDGES_SAY * (second_db - _SECOND_DB)
    ringing = _EDGES_SAY * ringing_db
    return min(max(second, -_SINGLE_MOST), _DOUBLE_MOST) + min(max(ringing, 0.0), _DOUBLE_MOST)


def _edges_db(scene: Scene, tick: int) -> tuple[float, float]:
    """How far the two hardest edges at a place stand above the edges before it and after it."""
    near, far = _BESIDE_TICKS
    before, after = (
        np.sort(scene.edges_db(tick + first, tick + last)[0])[-2]
        for first, last in ((-far, -near), (near + 1, far + 1))
    )
    at_db = scene.edges_db(tick - _SECOND_TICKS, tick + _SECOND_TICKS + 1)[0] - max(before, after)
    hardest = int(at_db.argmax())
    # A step on the border of two ticks is in both, as hard in one as in the other.
    beside = np.abs(np.arange(at_db.size) - hardest) <= 1
    same = beside & (at_db == at_db[hardest])
    return float(at_db[hardest]), float(at_db[~same].max())


def _twice(ticks: NDArray[np.int64], seen: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Which sudden edges have another one beside them, shape (n,)."""
    twice = np.zeros(ticks.size, np.bool_)
    sudden = np.flatnonzero(seen[:, 3] >= SUDDEN_DB)
    apart = np.diff(ticks[sudden])
    unlike = np.abs(np.diff(seen[sudden][:, (0, 3)], axis=0)) > (_SAME_SCORE, _SAME_DB)
    pair = (apart <= _TWICE_TICKS) & ((apart > 1) | unlike.any(axis=1))
    twice[sudden[:-1][pair]] = twice[sudden[1:][pair]] = True
    return twice


def _sharpness(sharp_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """What sharpness says: how rare it is, by the tail of the side's own edges or of real clicks.

    The sharpest quarter is taken to fall off exponentially; music that was made of hard edges has a
    long tail, and then the sharpest of them says little. A soft edge speaks against a break.
    """
    real = _SHARP_DB - _SHARP_SPREAD_DB * np.log(
        (np.arange(_REAL_CLICKS) + 0.5) / _REAL_CLICKS / _QUARTER
    )
    known = np.concatenate((sharp_db, real))
    quarter = float(np.quantile(known, 1 - _QUARTER))
    spread = float(np.median(known[known > quarter] - quarter)) / np.log(2)
    says = -np.log(_QUARTER) + (sharp_db - quarter) / spread
    rare = np.where(sharp_db > quarter, np.minimum(says, _MOST_SHARP), 0.0)
    soft = np.clip((_SOFT_DB - sharp_db) / (_SOFT_DB - _SOFTEST_DB), 0, 1)
    result: NDArray[np.float64] = rare + _SHARP_SAYS + _SOFT_SAYS * soft
    return result
