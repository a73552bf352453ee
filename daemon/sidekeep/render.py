"""The third act: read the audio a second time and write the tracks. It decides nothing.

Where the audio comes from and where it goes is passed in, so that this file touches no disk.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
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

#: Attempts to bring a lossy copy under its ceiling before giving up; one is normally enough.
_LOSSY_ATTEMPTS = 6


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
    """Write every copy of every track; return the plan with the gains that lossy copies got.

    Args:
        plan: the finished plan.
        source: the treated audio.
        open_sink: opens the file of one copy of one track; called again to write it anew.
        progress: told how many more frames were written, from any thread.
        threads: tracks that may be written side by side.
    """
    tracks = [track for side in plan.sides for track in side.tracks]
    lanes = [tracks] if source.costly_seek else [[track] for track in tracks]
    with ThreadPoolExecutor(threads) as pool:
        jobs = [
            pool.submit(_render_lane, plan, lane, source, open_sink, progress) for lane in lanes
        ]
        copies = {span: done for job in jobs for span, done in job.result().items()}
    return plan.with_sides(
        lambda side: replace(
            side, tracks=tuple(replace(track, copies=copies[track.span]) for track in side.tracks)
        )
    )


def _render_lane(
    plan: Plan, tracks: list[Track], source: Source, open_sink: OpenSink, progress: Progress
) -> dict[Span, tuple[Copy, ...]]:
    """Write consecutive tracks in one reading, then correct lossy copies that came out too loud."""
    sinks = {
        (track.span, index): open_sink(track, copy)
        for track in tracks
        for index, copy in enumerate(track.copies)
    }
    for track, blocks in _per_track(tracks, source):
        chains = [
            _CopyChain(plan, track, copy, source.rate_hz, sinks[track.span, index])
            for index, copy in enumerate(track.copies)
        ]
        for block in blocks:
            for chain in chains:
                chain.push(block)
            progress(block.shape[1])
        for chain in chains:
            chain.close()
    return {
        track.span: tuple(
            _under_ceiling(plan, track, copy, source, open_sink, sinks[track.span, index])
            for index, copy in enumerate(track.copies)
        )
        for track in tracks
    }


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


def _under_ceiling(
    plan: Plan, track: Track, copy: Copy, source: Source, open_sink: OpenSink, sink: Sink
) -> Copy:
    """Write a lossy copy again, quieter, until its decoded true peak is at most its ceiling."""
    if copy.bits is not None or copy.ceiling_dbtp is None:
        return copy
    for _ in range(_LOSSY_ATTEMPTS):
        over_db = sink.decoded_true_peak_dbtp() - copy.ceiling_dbtp
        if over_db <= 0.0:
            return copy
        copy = replace(copy, gain_db=copy.gain_db - over_db - 0.05)
        sink = open_sink(track, copy)
        chain = _CopyChain(plan, track, copy, source.rate_hz, sink)
        for block in source.read(track.span):
            chain.push(block)
        chain.close()
    return copy
