"""The first act: read the audio once, in blocks, and keep small tables.

Every meter sees the same blocks in the same order, so the tables do not depend on how many processes
share the work nor on how the recording is cut into blocks.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.beside import Beside
from sidekeep.dsp.bands import BandMeter
from sidekeep.dsp.capture import CaptureMeter
from sidekeep.dsp.events import SampleEvents, SpectralEvents
from sidekeep.dsp.image import ImageMeter
from sidekeep.dsp.levels import LevelMeter
from sidekeep.dsp.loudness import LoudnessMeter
from sidekeep.dsp.loudness import cell_frames as level_cell_frames
from sidekeep.dsp.meter import Block
from sidekeep.dsp.mono import mono_table
from sidekeep.dsp.spectra import Framer, cell_frames
from sidekeep.dsp.tracing import TracingMeter
from sidekeep.dsp.treatment import Chain, Treatment
from sidekeep.dsp.truepeak import TruePeakMeter
from sidekeep.measurements import Measurements, from_arrays, table_arrays

Arrays = dict[str, NDArray[Any]]
Room = Callable[[int, int], Block]

# About the longer of the two: what Python costs for each block is little then.
_BLOCK_FRAMES, _BLOCK_S = 1 << 18, 2.7
_READS_LONG_HZ = 150_000  # from here on reading takes a third of the first process's time


def block_frames(rate_hz: int) -> int:
    """Frames of a block that most meters need not cut: whole cells of the levels and of the spectra.

    Args:
        rate_hz: sample rate in Hz.
    """
    cell, length = level_cell_frames(rate_hz), max(_BLOCK_FRAMES, round(_BLOCK_S * rate_hz))
    both = math.lcm(cell, cell_frames(rate_hz))
    whole = both if both <= 2 * length else cell
    return max(1, length // whole) * whole


# What a block is: heard and recorded at once, since nothing treats it; as recorded; as it will be heard.
_PLAIN, _RECORDED, _TREATED = range(3)


class _Levels:
    """The meters that look at how high the samples are."""

    def __init__(self, rate_hz: int, captured: int, channels: int) -> None:
        self._capture = CaptureMeter(rate_hz, captured)
        self._levels = LevelMeter(rate_hz, channels)

    def take(self, feed: int, block: Block) -> None:
        """Take the next block."""
        peaks = self._capture.update(block) if feed != _TREATED else None
        if feed != _RECORDED:
            self._levels.update(block, peaks)

    def finish(self) -> Arrays:
        """Return the tables, flat."""
        return table_arrays("capture", self._capture.finish()) | table_arrays(
            "levels", self._levels.finish()
        )


class _Samples:
    """The meters that look at how the samples follow each other."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._peaks = TruePeakMeter(rate_hz, channels)
        self._events = SampleEvents(rate_hz, channels)

    def take(self, feed: int, block: Block) -> None:
        """Take the next block."""
        if feed != _RECORDED:
            self._peaks.update(block)
            self._events.update(block)

    def finish(self) -> Arrays:
        """Return the tables, flat."""
        return table_arrays("peaks", self._peaks.finish()) | _event_arrays(self._events.finish())


class _Group:
    """Meters that take the same blocks in one process."""

    def __init__(self, *members: _Levels | _Samples) -> None:
        self._members = members

    def take(self, feed: int, block: Block) -> None:
        """Take the next block."""
        for member in self._members:
            member.take(feed, block)

    def finish(self) -> Arrays:
        """Return the tables, flat."""
        return {name: table for one in self._members for name, table in one.finish().items()}


class _Spectra:
    """The meters that look at the spectrum, and the loudness."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._framer = Framer(rate_hz)
        self._bands = BandMeter(rate_hz, channels)
        self._image = ImageMeter(rate_hz, channels)
        self._tracing = TracingMeter(rate_hz, channels)
        self._events = SpectralEvents(rate_hz, channels)
        self._loudness = LoudnessMeter(rate_hz, channels)

    def take(self, block: Block) -> None:
        """Take the next block as it will be heard."""
        spectra = self._framer.update(block)
        self._bands.update(spectra)
        self._image.update(spectra)
        self._tracing.update(spectra)
        self._events.update(spectra)
        self._loudness.update(block)

    def finish(self) -> Arrays:
        """Return the tables, flat."""
        return (
            table_arrays("loudness", self._loudness.finish())
            | table_arrays("bands", self._bands.finish())
            | table_arrays("image", self._image.finish())
            | table_arrays("tracing", self._tracing.finish())
            | _event_arrays(self._events.finish())
        )


def _event_arrays(fields: dict[str, Any]) -> Arrays:
    return {f"events.{name}": np.asarray(value) for name, value in fields.items()}


class _Here:
    """What takes the samples where only one core may be used: this process."""

    def __init__(self, group: _Group) -> None:
        self.give, self.result = group.take, group.finish

    def room(self, channels: int, frames: int) -> Block:
        return np.empty((channels, frames), np.float32)

    def end(self) -> None:
        """There are no more blocks."""


def measure(
    read: Callable[[Room], Iterable[NDArray[Any]]],
    rate_hz: int,
    channels: int,
    treatments: tuple[Treatment, ...] = (),
    cores: int = 1,
) -> Measurements:
    """Measure a recording.

    Args:
        read: gives the recording in blocks, in order, each (channels, frames), full scale = 1.0;
            `block_frames` is a good length. It is told where there is room, (channels, frames), for the
            next block: one that is made there need not be copied.
        rate_hz: sample rate in Hz.
        channels: rows of every block.
        treatments: what the audio passes through before it is measured.
        cores: processor cores to use; with two, half the work is done in a second process.

    Raises:
        OSError: there is no room for the tables.
        RuntimeError: the second process was killed.
    """
    chain = Chain(treatments, channels)
    levels = _Levels(rate_hz, channels, chain.channels_out)
    samples = _Samples(rate_hz, chain.channels_out)
    spectra = _Spectra(rate_hz, chain.channels_out)
    # Both processes shall be ready at the same time.
    reads_long = rate_hz >= _READS_LONG_HZ
    there = _Group(levels, samples) if reads_long else _Group(samples)
    frames = 0
    with _place(there, max(channels, chain.channels_out), block_frames(rate_hz), cores) as other:

        def share(feed: int, rows: Block) -> None:
            if reads_long or feed != _RECORDED:
                other.give(feed, rows)
            if not reads_long:
                levels.take(feed, rows)

        for block in read(other.room):
            rows = _rows(block)
            if not chain:
                share(_PLAIN, rows)
            else:
                share(_RECORDED, rows)
                rows = _rows(chain.process(block.astype(np.float64)))
                share(_TREATED, rows)
            spectra.take(rows)
            frames += rows.shape[1]
        if chain:
            rows = _rows(chain.flush())
            share(_TREATED, rows)
            spectra.take(rows)
            frames += rows.shape[1]
        other.end()
        arrays = spectra.finish() | other.result()
    if not reads_long:
        arrays |= levels.finish()
    arrays |= table_arrays("mono", mono_table(treatments))
    about = {"rate_hz": rate_hz, "channels": chain.channels_out, "frames": frames}
    return from_arrays(arrays | {name: np.asarray(value) for name, value in about.items()})


@contextmanager
def _place(group: _Group, channels: int, frames: int, cores: int) -> Iterator[_Here | Beside]:
    here = _Here(group)
    if cores == 1:
        yield here
        return
    with Beside(here.give, here.result, channels, frames) as beside:
        yield beside


def _rows(block: NDArray[Any]) -> Block:
    return np.ascontiguousarray(block, dtype=np.float32)
