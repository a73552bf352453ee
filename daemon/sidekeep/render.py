"""The third act: read the audio a second time and write the tracks. It decides nothing.

Where the audio comes from and where it goes is passed in, so that this file touches no disk.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.dither import WordLength, dither_seed
from sidekeep.dsp.fades import Fades
from sidekeep.dsp.resample import Resampler
from sidekeep.model import Copy, Plan, Span, Track

Samples = NDArray[np.float64]

#: Attempts to bring copies under their ceiling before giving up; one is normally enough.
_ATTEMPTS = 6

#: A resampled copy this near to the peak that rules is left as it is.
_NEAR_DB = 0.03

#: A coder answers a small change of gain with a slightly other error; this keeps the next try below.
_LOSSY_MARGIN_DB = 0.05


class Sink(Protocol):
    """Where the samples of one copy go."""

    def write(self, samples: NDArray[Any]) -> None:
        """Take samples (channels, frames): int32 left-justified for word lengths, else float64."""
        ...

    def close(self) -> None:
        """Finish the file."""
        ...

    def decoded_true_peak_dbtp(self) -> float:
        """Decode what was written and return its true peak in dBTP."""
        ...


Read = Callable[[Span], Iterable[NDArray[Any]]]
OpenSink = Callable[[Track, Copy], Sink]
Progress = Callable[[int], None]


@dataclass(frozen=True)
class Source:
    """The treated audio: its rate and a way to read any span in blocks (channels, frames).

    `costly_seek` says that reading a span means running the treatments from the start.
    """

    rate_hz: int
    read: Read
    costly_seek: bool


class _CopyChain:
    """Gain, fades, sample rate, word length and sink of one copy of one track."""

    def __init__(self, plan: Plan, track: Track, copy: Copy, rate_hz: int, sink: Sink) -> None:
        gain = np.asarray(track.gain_db)[:, np.newaxis] + copy.gain_db
        self._gain = 10.0 ** (gain / 20.0)
        frames = track.span.frames
        self._fades = Fades(frames, track.fade_in_frames, track.fade_out_frames)
        channels = len(track.gain_db)
        self._resampler = (
            None if copy.rate_hz == rate_hz else Resampler(rate_hz, copy.rate_hz, channels)
        )
        seed = None if _exact(plan, track, copy, rate_hz) else _seed(plan, track)
        self._words = None if copy.bits is None else WordLength(copy.bits, channels, seed)
        self._sink = sink

    def push(self, block: Samples) -> None:
        shaped = self._fades.process(block * self._gain)
        if self._resampler is not None:
            shaped = self._resampler.process(shaped)
        self._write(shaped)

    def close(self) -> None:
        if self._resampler is not None:
            self._write(self._resampler.flush())
        self._sink.close()

    def _write(self, samples: Samples) -> None:
        if samples.shape[1] == 0:
            return
        self._sink.write(samples if self._words is None else self._words.process(samples))


def _seed(plan: Plan, track: Track) -> int:
    return dither_seed(plan.recording.sha256, track.number)


def _exact(plan: Plan, track: Track, copy: Copy, rate_hz: int) -> bool:
    """Whether the copy's samples are the recording's own, so that rounding changes nothing."""
    recording = plan.recording
    untouched = not plan.treatments and not any(track.gain_db) and copy.gain_db == 0.0
    unfaded = track.fade_in_frames == track.fade_out_frames == 0
    fits = recording.sample_type == "int" and copy.bits is not None and copy.bits >= recording.bits
    return untouched and unfaded and fits and copy.rate_hz == rate_hz


def render(
    plan: Plan, source: Source, open_sink: OpenSink, progress: Progress, threads: int = 2
) -> Plan:
    """Write every copy of every track; return the plan with the gains that changed copies got.

    Args:
        plan: the finished plan.
        source: the treated audio.
        open_sink: opens the file of one copy of one track; called again to write it anew.
        progress: told how many more frames were written, from any thread.
        threads: tracks that may be written side by side.

    Raises:
        RuntimeError: a copy stays above its ceiling.
    """
    tracks = [track for side in plan.sides for track in side.tracks]
    with ThreadPoolExecutor(threads) as pool:

        def write(chosen: list[Track]) -> dict[Copy, Sink]:
            lanes = [chosen] if source.costly_seek else [[track] for track in chosen]
            jobs = [
                pool.submit(_write_lane, plan, lane, source, open_sink, progress) for lane in lanes
            ]
            return {copy: sink for job in jobs for copy, sink in job.result().items()}

        sinks = write(tracks)
        for _ in range(_ATTEMPTS):
            off_db = _off_db(tracks, sinks)
            if not off_db:
                return _with_tracks(plan, tracks)
            tracks = [_regained(track, off_db) for track in tracks]
            again = [
                replace(track, copies=tuple(c for c in track.copies if _kind(track, c) in off_db))
                for track in tracks
            ]
            sinks |= write(again)
            kept = {copy for track in tracks for copy in track.copies}
            sinks = {copy: sink for copy, sink in sinks.items() if copy in kept}
    message = f"copies stay off their true peak, in dB: {off_db}"
    raise RuntimeError(message)


_Kind = tuple[str, int, int | None, float | None, str]


def _kind(track: Track, copy: Copy) -> _Kind:
    """Copies of one kind share their gain, so that the tracks of a side keep their relations.

    Where every track has a level of its own, every copy is of its own kind.
    """
    alone = track.level is not None and track.level.ceiling_dbtp is not None
    return copy.format, copy.rate_hz, copy.bits, copy.quality, copy.path if alone else ""


def _off_db(tracks: Iterable[Track], sinks: Mapping[Copy, Sink]) -> dict[_Kind, float]:
    """By how much the loudest copy of each kind, decoded, is above its ceiling or should come up to it.

    Kinds that are well are left out.
    """
    off_db: dict[_Kind, float] = {}
    rising = set()
    for track in tracks:
        for copy in track.copies:
            if copy.ceiling_dbtp is not None:
                kind = _kind(track, copy)
                above_db = sinks[copy].decoded_true_peak_dbtp() - copy.ceiling_dbtp
                off_db[kind] = max(off_db.get(kind, above_db), above_db)
                rising |= {kind} if copy.to_ceiling else set()
    return {
        kind: by_db
        for kind, by_db in off_db.items()
        if (abs(by_db) > _NEAR_DB if kind in rising else by_db > 0.0)
    }


def _regained(track: Track, off_db: Mapping[_Kind, float]) -> Track:
    def regained(copy: Copy) -> Copy:
        by_db = off_db.get(_kind(track, copy))
        if by_db is None:
            return copy
        margin_db = _LOSSY_MARGIN_DB if copy.bits is None else 0.0
        return replace(copy, gain_db=copy.gain_db - by_db - margin_db)

    return replace(track, copies=tuple(regained(copy) for copy in track.copies))


def _with_tracks(plan: Plan, tracks: list[Track]) -> Plan:
    given = iter(tracks)
    return plan.with_sides(
        lambda side: replace(side, tracks=tuple(next(given) for _ in side.tracks))
    )


def _write_lane(
    plan: Plan, tracks: list[Track], source: Source, open_sink: OpenSink, progress: Progress
) -> dict[Copy, Sink]:
    """Write all copies of consecutive tracks in one reading."""
    sinks: dict[Copy, Sink] = {}
    for track, blocks in _per_track(tracks, source):
        chains = []
        for copy in track.copies:
            sinks[copy] = open_sink(track, copy)
            chains.append(_CopyChain(plan, track, copy, source.rate_hz, sinks[copy]))
        for block in blocks:
            for chain in chains:
                chain.push(block)
            progress(block.shape[1])
        for chain in chains:
            chain.close()
    return sinks


def _per_track(tracks: list[Track], source: Source) -> Iterable[tuple[Track, Iterable[Samples]]]:
    """Give each track with its blocks; consecutive tracks share one reading when seeking is costly."""
    if not source.costly_seek:
        for track in tracks:
            yield track, source.read(track.span)
        return
    ordered = sorted(tracks, key=lambda track: track.span.start)
    cutter = _Cutter(
        source.read(Span(ordered[0].span.start, ordered[-1].span.end)), ordered[0].span.start
    )
    for track in ordered:
        yield track, cutter.take(track.span)


class _Cutter:
    """Hands out consecutive spans of one running stream of blocks."""

    def __init__(self, blocks: Iterable[Samples], start: int) -> None:
        self._blocks = iter(blocks)
        self._at = start
        self._rest: Samples | None = None

    def take(self, span: Span) -> Iterable[Samples]:
        while self._at < span.end:
            block = self._rest if self._rest is not None else next(self._blocks, None)
            if block is None:
                return
            skip = max(0, min(span.start - self._at, block.shape[1]))
            use = min(block.shape[1], max(span.end - self._at, 0))
            self._at += use
            self._rest = block[:, use:] if use < block.shape[1] else None
            if use > skip:
                yield block[:, skip:use]
