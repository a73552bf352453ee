"""Locked groove: the stylus falls back and plays a revolution again."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.revolution import Repetition, extent, leftover, repetition
from sidekeep.findings.scene import Scene, stretches
from sidekeep.model import Finding, Severity, Span

_SPEED_TOLERANCE = 0.045
_HOPS_PER_TURN = 6
_LEAST_WINDOWS = 3  # half-turn windows that fit into one repeated turn
_BASS_HZ = (25.0, 200.0)
_ABOVE_NOISE_DB = 6.0
_RETURNED_DB = -3.0
_SURE_LIKENESS = 0.6  # a single repeat less alike than this is for a person to judge
_IN_MUSIC = 0.9  # part of the stretch that must lie between a track's first sound and its last


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
        likeness: the least correlation of the fine structure, 0 to 1.
        left_db: what is left when the revolution before is taken away, against the groove noise;
            music that merely repeats leaves 0 dB or more.
    """
    first, last = scene.ticks(scene.side.programme)
    levels = scene.edges_db(first, last)
    findings = []
    for period_s in scene.periods_s():
        turn = period_s * scene.ticks_per_second
        seen = repetition(
            levels,
            turn_ticks=turn,
            tolerance=_SPEED_TOLERANCE,
            hop_ticks=int(turn / _HOPS_PER_TURN),
        )
        for run in _runs(scene, seen, first, likeness, left_db):
            start, end = extent(
                levels,
                start=run.start - first,
                end=run.end - first,
                lag=round(run.lag),
                reach=seen.length,
            )
            findings.append(_told(scene, replace(run, start=start + first, end=end + first)))
    return tuple(findings)


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


def _runs(
    scene: Scene, seen: Repetition, offset: int, likeness: float, left_db: float
) -> list[_Run]:
    alike = np.flatnonzero(seen.likeness >= 0.7 * likeness)
    if alike.size < _LEAST_WINDOWS:
        return []
    left = np.full(seen.start.size, np.inf)
    basses = _basses(scene)
    returned = _music_returned(basses[0][0], seen, alike, offset)
    for signal, noise in basses:
        if noise > 0:
            power = leftover(signal, seen.start[alike] + offset, seen.lag[alike], seen.length)
            ratio_db = 10 * np.log10(np.maximum(power / noise, 1e-9))
            left[alike] = np.where(returned, np.minimum(left[alike], ratio_db), np.inf)
    runs = []
    for begin, end in stretches(left <= 0.7 * left_db):
        lags, likenesses = seen.lag[begin:end], seen.likeness[begin:end]
        steady = np.abs(lags - np.median(lags)) <= 2
        if steady.sum() < _LEAST_WINDOWS or likenesses[steady].mean() < likeness:
            continue
        median_db = float(np.median(left[begin:end][steady]))
        if median_db <= left_db:
            where = np.flatnonzero(steady) + begin
            start, stop = seen.start[where[0]], seen.start[where[-1]] + seen.length
            run = _Run(
                int(start) + offset,
                int(stop) + offset,
                float(np.median(lags)),
                float(likenesses[steady].mean()),
                median_db,
            )
            if _sounding(scene, run):
                runs.append(run)
    return runs


def _music_returned(
    bass: NDArray[np.float32], seen: Repetition, alike: NDArray[np.intp], offset: int
) -> NDArray[np.bool_]:
    """Whether all that sounds came again: noise alone may return when the record is worn round."""
    starts = seen.start[alike] + offset
    left = leftover(bass, starts, seen.lag[alike], seen.length)
    own = np.array([np.mean(bass[start : start + seen.length] ** 2) for start in starts.tolist()])
    result: NDArray[np.bool_] = left <= own * 10 ** (_RETURNED_DB / 10)
    return result


def _basses(scene: Scene) -> list[tuple[NDArray[np.float32], float]]:
    """The bass of sum and difference of the channels, each with its power in the groove noise.

    The cut keeps the bass in the centre, so that the difference is mostly noise. Mains hum would
    repeat with every turn; taking away what was a tenth of a second before (5 turns of 50 Hz, 6 of
    60 Hz) leaves the power of the noise alone.
    """
    events = scene.seen.events
    whole = Span(0, events.ticks * events.tick_frames)
    mixes = np.zeros((scene.seen.channels, events.ticks), np.float32)
    at = 0
    for piece in scene.low_band(_BASS_HZ, 4, whole):
        there = slice(at, at + piece.shape[1])
        mixes[:, there] = piece if len(piece) == 1 else (piece[0] + piece[1], piece[0] - piece[1])
        at = there.stop
    tenth = round(0.1 * scene.ticks_per_second)
    spans, share = [scene.ticks(span) for span in scene.side.groove], 0.5
    if sum(last - first for first, last in spans) < 20 * tenth:
        spans, share = [scene.ticks(scene.side.needle_down)], 0.05
    basses = []
    for bass in mixes:
        powers = []
        for first, last in spans:
            new = (bass[first + tenth : last] - bass[first : last - tenth]) ** 2 / 2
            powers.append(new[: new.size // tenth * tenth].reshape(-1, tenth).mean(axis=1))
        basses.append((bass, float(np.quantile(np.concatenate(powers), share))))
    return basses


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
