"""Where the music breaks: edges across which nothing that sounded goes on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.breaks import BEGUN, SUNK
from sidekeep.findings.beat import BeatJumps
from sidekeep.findings.places import Places
from sidekeep.findings.scene import Scene
from sidekeep.findings.sharpness import sharpness
from sidekeep.findings.shifts import beat_shifts
from sidekeep.findings.swing import Swings
from sidekeep.model import Span

_TOGETHER_S = 0.1
_EDGE_S = 0.3
# Music that breaks more often on one side was made so: edits, scratching. The third place may score
# so much by chance; what it has above that counts several times against the first two.
_MANY, _BY_CHANCE, _USUAL = 2, 3.5, 3.0
_ORDINARY = 3.0  # the least score of a place that counts
_MOST = 100  # breaks beyond these say nothing new
# A recorder that loses samples leaves one step, and music that goes on as it would have later. A stylus
# that jumps comes down elsewhere; where it leaves the groove and lands there are edges of their own, and
# they ring.
_LIKENESS, _LIKENESS_SAYS = 0.6, 9.0
_SECOND_DB, _EDGES_SAY = 4.0, 0.3
_SINGLE_MOST, _DOUBLE_MOST = 1.4, 2.8
_SECOND_TICKS = 4  # a second edge is looked for so far from the first,
_BESIDE_TICKS = (6, 16)  # and weighed against the edges that lie so far away
_KNOWN_LOSS = 0.7  # likeness from which the length of what is missing can be told
_LEAST_LOSS_S = 0.8e-3
# Nineteen in twenty edges where samples are missing are more sudden than this, jumps are less.
_LOST_DB, _LOST_LEAST, _LOST_MOST = 11.0, -3.0, 10.0
_LOST_TOP_DB = 16.0  # the same at the top of the band
# A side of which a quarter of the edges are such was drawn, as square waves are; its notes break.
_DRAWN_DB, _DRAWN_SHARE = 45.0, 0.75
# Of 109 good sides, looked at everywhere, none has odds of a jump in the beat above 1.2; of 910 jumps by a
# turn half have. The last: no more than what a person should hear.
_JUMP, _JUMP_SAYS, _JUMP_MOST = 0.8, 10.0, 20.0
_NOT_LOST_MOST = 3.0  # what it may say against lost samples
_GOES_ON, _GOES_ON_SAYS, _GOES_ON_LEAST = 0.5, 8.0, -30.0  # against a break, where the beat goes on
# A place that the beat has may lie so far off, in `_TOGETHER_S`, when an edge is so sure by itself.
_BEAT_OFF, _SURE = 5, 7.0
_NO_EDGE = -5.0  # where the beat jumps and no edge was examined
# The arm swings after a jump, and when somebody knocks at the shelf; then the sound goes on.
_SWING_SAYS = 12.0
_STILL = 4.0  # what an arm that keeps still says for lost samples
# Where a beat shifts is known to a beat; an edge with such odds lies so near, a sure one so near.
_SHIFT_OFF_S, _SHIFT_EDGE, _SHIFT_NEAR_S = 0.2, 2.0, 0.5


@dataclass(frozen=True)
class Break:
    """A place where the music breaks.

    `score` is the natural logarithm of the odds against the other breaks of the side, `alone` the same
    if there were none; `lost` says that the recorder lost samples, and `lost_s` the time that is missing
    then, 0 when it cannot be told; `swung` says that the arm swung there.
    """

    span: Span
    score: float
    lost: bool
    lost_s: float
    alone: float
    swung: bool = False


def find_breaks(scene: Scene) -> tuple[Break, ...]:
    """The breaks of a side, the surest first. Where there are many, none scores high: edited music has.

    Five things speak for a break: that what sounded does not go on, which only music with sustained
    tones can tell; that the edge is sharper than the other edges of the side, there or at the top of
    the band, and sharper than anything that comes through a cartridge; that the beat is a turn ahead
    from there on; that it comes a little too early from there on; that the arm swings.
    """
    events = scene.seen.events
    first, last = scene.ticks(scene.side.programme)
    edge = _EDGE_S * scene.ticks_per_second
    inside = (events.break_tick >= first + edge) & (events.break_tick < last - edge)
    ticks, seen = events.break_tick[inside], events.breaks[inside]
    edges_db = seen[seen[:, 3] != 0, 3]
    if edges_db.size and np.quantile(edges_db, _DRAWN_SHARE) >= _DRAWN_DB:
        return ()
    beat, swings = BeatJumps(scene), Swings(scene)
    jumps = beat.places()
    places = Places(ticks, seen, seen[:, 0] + sharpness(scene, ticks, seen))
    for tick, _ in jumps:
        places.add(tick, _NO_EDGE)  # there may be a break that no edge told of
    _note_swings(places, swings)
    _note_shifts(places, scene)
    ticks, seen, scores, swung = places.ticks, places.seen, places.scores, places.swung
    together = _TOGETHER_S * scene.ticks_per_second
    said = _said(ticks, scores, beat, jumps, together)
    # After several jumps close together the beat finds nothing to compare.
    said[swung > 0] = np.maximum(said[swung > 0], 0) + swung[swung > 0]
    usual = _usual(scores[_apart(ticks, scores, together)])
    apart = _apart(ticks, scores + np.maximum(said, 0), together)
    # Breaks over which the beat goes on say nothing against one where it jumps, and where the arm swings
    # says nothing about how the music was made.
    made = [place for place in apart if not swung[place]]
    usual_jump = _usual(np.sort((scores + said)[made])[::-1])
    found = []
    for place in apart:
        lost_s, likeness, sharp_db, top_db = (float(value) for value in seen[place, 1:])
        tick, alone = int(ticks[place]), float(scores[place])
        hardest_db, second_db = _edges_db(scene, tick)
        sudden = max(sharp_db - _LOST_DB, top_db - _LOST_TOP_DB)
        sudden = min(max(sudden, _LOST_LEAST), _LOST_MOST)
        # What the beat says of a jump holds also where the arm did not swing: some filter that away.
        jumps_say = (
            float(swung[place]) or min(max(float(said[place]), 0.0), _NOT_LOST_MOST) - _STILL
        )
        jumped = _edges_odds(second_db, hardest_db - sharp_db) + jumps_say
        lost = _LIKENESS_SAYS * (likeness - _LIKENESS) + sudden > jumped
        known = lost and likeness >= _KNOWN_LOSS and lost_s >= _LEAST_LOSS_S
        # Where samples are lost the beat goes on, so that it speaks against nothing.
        alone += max(float(said[place]), 0.0) if lost else float(said[place])
        score = alone - (usual_jump if said[place] > 0 and not lost else usual)
        if swung[place] and not lost:
            score = alone
        start = tick * events.tick_frames
        span = Span(start, start + events.tick_frames)
        found.append(Break(span, score, lost, lost_s if known else 0.0, alone, swung[place] > 0))
    return tuple(sorted(found, key=lambda one: -one.score))


def _note_swings(places: Places, swings: Swings) -> None:
    """Note where the arm swings, at the hardest edge where none was examined."""
    for landed in swings.places():
        near = np.flatnonzero((places.ticks >= landed.start) & (places.ticks < landed.stop))
        if near.size:
            best = int(near[places.scores[near].argmax()])
        else:
            best = places.add(swings.hardest(landed), _NO_EDGE)
        if places.seen[best, 0] in (BEGUN, SUNK):
            places.scores[best] = max(places.scores[best], _NO_EDGE)
        places.swung[best] = _SWING_SAYS


def _note_shifts(places: Places, scene: Scene) -> None:
    """Note where the beat comes too early from then on; a place of its own where no edge tells.

    After a jump of the stylus it comes at another time as well.
    """
    for shift in beat_shifts(scene):
        away_s = np.abs(places.ticks - shift.tick) / scene.ticks_per_second
        if (places.swung[away_s <= _SHIFT_NEAR_S] > 0).any():
            continue
        likely = (places.scores >= _SHIFT_EDGE) & (away_s <= _SHIFT_OFF_S)
        edges = np.flatnonzero(likely | (places.scores >= _SURE) & (away_s <= _SHIFT_NEAR_S))
        best = (
            int(edges[places.scores[edges].argmax()]) if edges.size else places.add(shift.tick, 0.0)
        )
        places.scores[best] += shift.says
        places.seen[best, 1:3] = shift.lost_s, 1


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
    return max(0.0, _USUAL * (float(scores[_MANY]) - _BY_CHANCE))


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
