"""Locked groove: the stylus falls back and plays a revolution again."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.revolution import Repetition, extent, leftover, repetition
from sidekeep.findings.scene import PIECE_TICKS, Scene, stretches
from sidekeep.findings.swing import Swings
from sidekeep.model import Finding, Severity, Span

_SPEED_TOLERANCE = 0.045
_HOPS_PER_TURN = 6
_STRETCH_S, _OVERLAP_S = 150.0, 12.0
_LEAST_WINDOWS = 3  # half-turn windows that fit into one repeated turn
_BASS_HZ = (25.0, 200.0)
_ABOVE_NOISE_DB = 6.0
_RETURNED_DB = -3.0
_SURE_LIKENESS = 0.6  # a single repeat less alike than this is for a person to judge
_NEARLY = 0.7  # windows that reach so much of a limit are looked at
# When a turn is no whole number of ticks, fine structures of one groove are hardly alike; when so much
# less than the limit is left of the groove noise, it came again all the same.
_SURELY_LEFT = 2.0
_SAME_TICKS = 2
_IN_MUSIC = 0.9  # part of the stretch that must lie between a track's first sound and its last
_LANDED_S = 0.2  # a repeat is read from windows; the swing of the arm says where it begins


@dataclass(frozen=True)
class _Run:
    """Windows that repeat at one distance; all in ticks of the table, `left_db` below groove noise."""

    start: int
    end: int
    lag: float
    likeness: float
    left_db: float


def find(scene: Scene, *, likeness: float, left_db: float) -> tuple[Finding, ...]:
    """Look for stretches that repeat the revolution before them, groove noise and all.

    Args:
        scene: the side.
        likeness: the least correlation of the fine structure, 0 to 1; seven tenths of it where less is
            left than twice `left_db`.
        left_db: what is left when the revolution before is taken away, against the groove noise;
            music that merely repeats leaves 0 dB or more.
    """
    first, last = scene.ticks(scene.side.programme)
    overlap = round(_OVERLAP_S * scene.ticks_per_second)
    length = round(_STRETCH_S * scene.ticks_per_second)
    noises = _noises(scene)
    runs: list[_Run] = []
    for start in range(first, max(first + 1, last - overlap), length - overlap):
        stretch = _Stretch(scene, start, min(last, start + length))
        runs += stretch.runs(noises, likeness, left_db)
    joined = _joined(runs)
    landed = Swings(scene).landings() if joined else []
    reach = _LANDED_S * scene.ticks_per_second
    return tuple(_told(scene, _from(run, landed, reach)) for run in joined)


def _from(run: _Run, landed: list[int], reach: float) -> _Run:
    """Let a run begin where the arm began to swing, if it did close by."""
    nearest = min(landed, key=lambda tick: abs(tick - run.start), default=run.start)
    return replace(run, start=nearest) if abs(nearest - run.start) <= reach else run


def _joined(runs: list[_Run]) -> list[_Run]:
    """Make one of runs that neighbouring stretches share, or that a click between two turns parted."""
    joined: list[_Run] = []
    for run in sorted(runs, key=lambda run: run.start):
        for place, one in enumerate(joined):
            if abs(run.lag - one.lag) <= _SAME_TICKS and run.start <= one.end + one.lag:
                joined[place] = replace(one, end=max(one.end, run.end))
                break
        else:
            joined.append(run)
    return joined


def find_jumps_back(told: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """A groove that was played just once more is as well a stylus that jumped back, once."""
    return tuple(
        replace(
            one,
            kind="skip",
            severity=Severity.LISTEN,
            span=Span(one.span.start, one.span.start + 1),
            detail=one.detail.replace("repeated a groove", "jumped back one turn"),
        )
        for one in told
        if one.kind == "locked groove" and one.numbers["repeats"] == 1
    )


class _Stretch:
    """Some minutes of the side, looked at by themselves so that memory stays the same."""

    def __init__(self, scene: Scene, first: int, last: int) -> None:
        self._scene, self._first = scene, first
        self._levels = scene.edges_db(first, last)
        self._basses = _basses(scene, first, last)

    def runs(self, noises: list[float], likeness: float, left_db: float) -> list[_Run]:
        """Find what repeats a revolution, in ticks of the table."""
        return [
            self._extended(run, seen.length)
            for seen in map(self._repetition, self._scene.periods_s())
            for run in self._repeating(seen, noises, likeness, left_db)
            if _sounding(self._scene, run)
        ]

    def _repetition(self, period_s: float) -> Repetition:
        turn = period_s * self._scene.ticks_per_second
        hop = int(turn / _HOPS_PER_TURN)
        return repetition(
            self._levels,
            turn_ticks=turn,
            tolerance=_SPEED_TOLERANCE,
            hop_ticks=hop,
            bass=self._basses[0],
        )

    def _extended(self, run: _Run, reach: int) -> _Run:
        first = self._first
        start, end = extent(
            self._levels,
            start=run.start - first,
            end=run.end - first,
            lag=round(run.lag),
            reach=reach,
        )
        return replace(run, start=start + first, end=end + first)

    def _repeating(
        self, seen: Repetition, noises: list[float], likeness: float, left_db: float
    ) -> list[_Run]:
        alike = np.flatnonzero(seen.likeness >= _NEARLY * likeness)
        if alike.size < _LEAST_WINDOWS:
            return []
        left = np.full(seen.start.size, np.inf)
        returned = _music_returned(self._basses[0], seen, alike)
        for signal, noise in zip(self._basses, noises, strict=True):
            if noise > 0:
                power = leftover(signal, seen.start[alike], seen.lag[alike], seen.length)
                ratio_db = 10 * np.log10(np.maximum(power / noise, 1e-9))
                left[alike] = np.where(returned, np.minimum(left[alike], ratio_db), np.inf)
        found = (
            _run(seen, left, begin, end) for begin, end in stretches(left <= _NEARLY * left_db)
        )
        return [
            replace(run, start=run.start + self._first, end=run.end + self._first)
            for run in found
            if run is not None
            and run.left_db <= left_db
            and (run.likeness >= likeness or run.left_db <= _SURELY_LEFT * left_db)
        ]


def _run(seen: Repetition, left: NDArray[np.float64], begin: int, end: int) -> _Run | None:
    """Make a run of windows that follow each other; None when too few agree on the distance."""
    lags, likenesses = seen.lag[begin:end], seen.likeness[begin:end]
    steady = np.abs(lags - np.median(lags)) <= _SAME_TICKS
    if steady.sum() < _LEAST_WINDOWS:
        return None
    where = np.flatnonzero(steady) + begin
    return _Run(
        int(seen.start[where[0]]),
        int(seen.start[where[-1]]) + seen.length,
        float(np.median(lags)),
        float(likenesses[steady].mean()),
        float(np.median(left[begin:end][steady])),
    )


def _music_returned(
    bass: NDArray[np.float32], seen: Repetition, alike: NDArray[np.intp]
) -> NDArray[np.bool_]:
    """Whether all that sounds came again: noise alone may return when the record is worn round."""
    starts = seen.start[alike]
    left = leftover(bass, starts, seen.lag[alike], seen.length)
    own = np.array([np.mean(bass[start : start + seen.length] ** 2) for start in starts.tolist()])
    result: NDArray[np.bool_] = left <= own * 10 ** (_RETURNED_DB / 10)
    return result


def _basses(scene: Scene, first: int, last: int) -> NDArray[np.float32]:
    """The bass of sum and difference of the channels (one row for mono), shape (rows, ticks).

    The cut keeps the bass in the centre, so that the difference is mostly noise.
    """
    tick = scene.seen.events.tick_frames
    pieces = [np.zeros((scene.seen.channels, 0), np.float32)]
    for piece in scene.low_band(_BASS_HZ, 4, Span(first * tick, last * tick)):
        mixed = piece if len(piece) == 1 else np.stack((piece[0] + piece[1], piece[0] - piece[1]))
        pieces.append(mixed.astype(np.float32))
    return np.concatenate(pieces, axis=1)


def _noises(scene: Scene) -> list[float]:
    """Power of the groove noise in each row of `_basses`.

    Mains hum would repeat with every turn; taking away what was a tenth of a second before (5 turns
    of 50 Hz, 6 of 60 Hz) leaves the power of the noise alone.
    """
    tenth = round(0.1 * scene.ticks_per_second)
    spans, share = [scene.ticks(span) for span in scene.side.groove], 0.5
    if sum(last - first for first, last in spans) < 20 * tenth:
        spans, share = [scene.ticks(scene.side.needle_down)], 0.05
    powers = [np.zeros((scene.seen.channels, 0))]
    for first, last in spans:
        for start in range(first, last, PIECE_TICKS):
            bass = _basses(scene, start, min(last, start + PIECE_TICKS))
            new = (bass[:, tenth:] - bass[:, :-tenth]) ** 2 / 2
            whole = new.shape[1] // tenth
            powers.append(new[:, : whole * tenth].reshape(len(new), whole, tenth).mean(axis=2))
    joined = np.concatenate(powers, axis=1)
    if not joined.shape[1]:
        return [0.0] * scene.seen.channels
    return [float(np.quantile(row, share)) for row in joined]


def _span(scene: Scene, run: _Run) -> Span:
    tick = scene.seen.events.tick_frames
    return Span(run.start * tick, run.end * tick)


def _sounding(scene: Scene, run: _Run) -> bool:
    """In a gap or the run-out the groove may repeat; there is nothing to lose."""
    span = _span(scene, run)
    inside = sum(
        max(0, min(span.end, track.music.end) - max(span.start, track.music.start))
        for track in scene.side.tracks
    )
    if scene.side.tracks and inside < _IN_MUSIC * span.frames:
        return False
    power = np.median(scene.levels(span).mean(axis=0))
    return bool(power > 10 ** (_ABOVE_NOISE_DB / 10) * scene.groove_power().mean())


def _told(scene: Scene, run: _Run) -> Finding:
    span = _span(scene, run)
    repeats = max(1, round((run.end - run.start) / run.lag))
    often = ("once", "twice", "three times", "four times", f"{repeats} times")[min(repeats, 5) - 1]
    numbers = {
        "repeats": float(repeats),
        "turn_s": round(run.lag / scene.ticks_per_second, 3),
        "likeness": round(run.likeness, 2),
        "left_over_noise_db": round(run.left_db, 1),
    }
    detail = f"The stylus repeated a groove at {scene.clock(span.start)}, {often}."
    doubtful = repeats == 1 and run.likeness < _SURE_LIKENESS
    severity = Severity.LISTEN if doubtful else Severity.AGAIN
    return Finding("locked groove", severity, span, detail, numbers)
