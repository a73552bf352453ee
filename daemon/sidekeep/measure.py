"""The first act: read the audio once, in blocks, and keep small tables.

Every meter sees the same blocks in the same order, so the tables do not depend on how many threads
share the work nor on how the recording is cut into blocks.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.bands import BandMeter
from sidekeep.dsp.capture import CaptureMeter
from sidekeep.dsp.events import EventMeter
from sidekeep.dsp.image import ImageMeter
from sidekeep.dsp.levels import LevelMeter
from sidekeep.dsp.loudness import LoudnessMeter
from sidekeep.dsp.meter import Block
from sidekeep.dsp.mono import MonoTable, mono_table
from sidekeep.dsp.spectra import Framer
from sidekeep.dsp.tracing import TracingMeter
from sidekeep.dsp.treatment import Chain, Treatment
from sidekeep.dsp.truepeak import TruePeakMeter
from sidekeep.measurements import Measurements

_AHEAD = 3  # calls that may wait in a lane; two blocks are in memory beside the one being decoded


class _Bench:
    """All meters of one recording, in two lots of about equal work."""

    def __init__(self, rate_hz: int, captured: int, channels: int) -> None:
        self.rate_hz, self.channels, self.frames = rate_hz, channels, 0
        self.capture = CaptureMeter(rate_hz, captured)
        self.levels = LevelMeter(rate_hz, channels)
        self.loudness = LoudnessMeter(rate_hz, channels)
        self.peaks = TruePeakMeter(rate_hz, channels)
        self.events = EventMeter(rate_hz, channels)
        self.bands = BandMeter(rate_hz, channels)
        self.image = ImageMeter(rate_hz, channels)
        self.tracing = TracingMeter(rate_hz, channels)
        self._framer = Framer(rate_hz)

    def feed_spectra(self, block: Block) -> None:
        spectra = self._framer.update(block)
        self.bands.update(spectra)
        self.image.update(spectra)
        self.tracing.update(spectra)
        self.events.update_spectra(spectra)
        self.loudness.update(block)

    def feed_samples(self, block: Block) -> None:
        self.events.update(block)
        self.levels.update(block)
        self.peaks.update(block)

    def finish(self, mono: MonoTable) -> Measurements:
        return Measurements(
            rate_hz=self.rate_hz,
            channels=self.channels,
            frames=self.frames,
            levels=self.levels.finish(),
            loudness=self.loudness.finish(),
            peaks=self.peaks.finish(),
            bands=self.bands.finish(),
            image=self.image.finish(),
            events=self.events.finish(),
            capture=self.capture.finish(),
            tracing=self.tracing.finish(),
            mono=mono,
        )


class _Lane:
    """A thread of its own that works off what it is given, in order, at most `_AHEAD` behind.

    Without a thread of its own it does everything at once.
    """

    def __init__(self, *, own_thread: bool) -> None:
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="meters")
        self._waiting: deque[Future[None]] = deque()
        self._own_thread = own_thread

    def take(self, feed: Callable[[Block], None], block: Block) -> None:
        """Feed the block as soon as all before it was."""
        if not self._own_thread:
            feed(block)
            return
        while len(self._waiting) >= _AHEAD:
            self._waiting.popleft().result()
        self._waiting.append(self._pool.submit(feed, block))

    def join(self) -> None:
        """Wait for the end of all that was given."""
        while self._waiting:
            self._waiting.popleft().result()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._pool.shutdown(cancel_futures=True)


def measure(
    blocks: Iterable[NDArray[Any]],
    rate_hz: int,
    channels: int,
    treatments: tuple[Treatment, ...] = (),
    cores: int = 2,
) -> Measurements:
    """Measure a recording.

    Args:
        blocks: the recording in order, each (channels, frames), full scale = 1.0; a few seconds
            each are a good size.
        rate_hz: sample rate in Hz.
        channels: rows of every block.
        treatments: what the audio passes through before it is measured.
        cores: processor cores to use; with one, nothing runs side by side.
    """
    chain = Chain(treatments, channels)
    bench = _Bench(rate_hz, channels, chain.channels_out)
    aside = cores > 1
    with _Lane(own_thread=aside) as spectra, _Lane(own_thread=aside) as samples:

        def feed_all(treated: Block) -> None:
            if treated.shape[1]:
                bench.frames += treated.shape[1]
                spectra.take(bench.feed_spectra, treated)
                samples.take(bench.feed_samples, treated)

        for block in blocks:  # decoded and treated here while the meters work on those before
            rows = _rows(block)
            samples.take(bench.capture.update, rows)
            feed_all(_rows(chain.process(block.astype(np.float64))) if chain else rows)
        feed_all(_rows(chain.flush()))
        spectra.join()
        samples.join()
    return bench.finish(mono_table(treatments))


def _rows(block: NDArray[Any]) -> Block:
    return np.ascontiguousarray(block, dtype=np.float32)
