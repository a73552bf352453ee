"""The first act: read the audio once, in blocks, and keep small tables.

Every meter sees the same blocks in the same order, so the tables do not depend on how many threads
share the work nor on how the recording is cut into blocks.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.bands import BandMeter
from sidekeep.dsp.events import EventMeter
from sidekeep.dsp.image import ImageMeter
from sidekeep.dsp.levels import LevelMeter
from sidekeep.dsp.loudness import LoudnessMeter
from sidekeep.dsp.meter import Block
from sidekeep.dsp.spectra import Framer
from sidekeep.dsp.treatment import Treatment
from sidekeep.dsp.truepeak import TruePeakMeter
from sidekeep.measurements import Measurements


def treated(
    blocks: Iterable[NDArray[Any]], treatments: tuple[Treatment, ...]
) -> Iterator[NDArray[Any]]:
    """Pass blocks (channels, frames) through the treatments, in order.

    Without treatments the blocks come out as they are; with them they are float64.
    """
    if not treatments:
        yield from blocks
        return
    for block in blocks:
        yield _through(block.astype(np.float64), treatments)
    for index, treatment in enumerate(treatments):
        rest = treatment.flush()
        if rest.shape[1]:
            yield _through(rest, treatments[index + 1 :])


def _through(block: NDArray[np.float64], treatments: tuple[Treatment, ...]) -> NDArray[np.float64]:
    for treatment in treatments:
        block = treatment.process(block)
    return block


class _Bench:
    """All meters of one recording, fed side by side by a small pool of threads."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self.rate_hz, self.channels, self.frames = rate_hz, channels, 0
        self.levels = LevelMeter(rate_hz, channels)
        self.loudness = LoudnessMeter(rate_hz, channels)
        self.peaks = TruePeakMeter(rate_hz, channels)
        self.events = EventMeter(rate_hz, channels)
        self.bands = BandMeter(rate_hz, channels)
        self.image = ImageMeter(rate_hz, channels)
        self._framer = Framer(rate_hz)

    def feed_levels(self, block: Block) -> None:
        self.levels.update(block)
        self.peaks.update(block)

    def feed_loudness(self, block: Block) -> None:
        self.loudness.update(block)

    def feed_events(self, block: Block) -> None:
        self.events.update(block)

    def feed_spectra(self, block: Block) -> None:
        spectra = self._framer.update(block)
        self.bands.update(spectra)
        self.image.update(spectra)
        self.events.update_spectra(spectra)

    def finish(self) -> Measurements:
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
        )


def measure(
    blocks: Iterable[NDArray[Any]], rate_hz: int, channels: int, threads: int = 2
) -> Measurements:
    """Measure a recording.

    Args:
        blocks: the treated audio in order, each (channels, frames), full scale = 1.0; about one second
            each is a good size.
        rate_hz: sample rate in Hz.
        channels: rows of every block.
        threads: how many meters may work at a time.
    """
    bench = _Bench(rate_hz, channels)
    feeds = (bench.feed_spectra, bench.feed_loudness, bench.feed_events, bench.feed_levels)
    running: list[Future[None]] = []
    with ThreadPoolExecutor(threads) as pool:
        for block in blocks:  # the next block is decoded here while the meters work on the last one
            _join(running)
            bench.frames += block.shape[1]
            rows = np.ascontiguousarray(block, dtype=np.float32)
            running = [pool.submit(feed, rows) for feed in feeds]
        _join(running)
    return bench.finish()


def _join(running: list[Future[None]]) -> None:
    for future in running:
        future.result()
