"""The first act: read the audio once, in blocks, and keep small tables.

Every meter sees the same blocks in the same order, so the tables do not depend on how many threads
share the work nor on how the recording is cut into blocks.
"""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

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
from sidekeep.dsp.treatment import Chain, Treatment
from sidekeep.dsp.truepeak import TruePeakMeter
from sidekeep.measurements import Measurements


class _Bench:
    """All meters of one recording, fed side by side by a small pool of threads."""

    def __init__(self, rate_hz: int, captured: int, channels: int) -> None:
        self.rate_hz, self.channels, self.frames = rate_hz, channels, 0
        self.capture = CaptureMeter(rate_hz, captured)
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
            mono=mono,
        )


def measure(
    blocks: Iterable[NDArray[Any]],
    rate_hz: int,
    channels: int,
    treatments: tuple[Treatment, ...] = (),
    threads: int = 2,
) -> Measurements:
    """Measure a recording.

    Args:
        blocks: the recording in order, each (channels, frames), full scale = 1.0; about one second
            each is a good size.
        rate_hz: sample rate in Hz.
        channels: rows of every block.
        treatments: what the audio passes through before it is measured.
        threads: how many meters may work at a time.
    """
    chain = Chain(treatments, channels)
    bench = _Bench(rate_hz, channels, chain.channels_out)
    feeds = (bench.feed_spectra, bench.feed_loudness, bench.feed_events, bench.feed_levels)
    running: list[Future[None]] = []
    with ThreadPoolExecutor(threads) as pool:

        def feed_all(treated: Block) -> None:
            if not treated.shape[1]:
                return
            bench.frames += treated.shape[1]
            running.extend(pool.submit(feed, treated) for feed in feeds)

        for block in blocks:  # decoded and treated here while the meters work on the one before
            rows = _rows(block)
            treated = _rows(chain.process(block.astype(np.float64))) if chain else rows
            _join(running)
            running.append(pool.submit(bench.capture.update, rows))
            feed_all(treated)
        rest = _rows(chain.flush())
        _join(running)
        feed_all(rest)
        _join(running)
    return bench.finish(mono_table(treatments))


def _rows(block: NDArray[Any]) -> Block:
    return np.ascontiguousarray(block, dtype=np.float32)


def _join(running: list[Future[None]]) -> None:
    for future in running:
        future.result()
    running.clear()
