"""Small tables from which the findings about a side are read: 1 ms ticks, mean spectra, tones."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.gathering import let_go
from sidekeep.dsp.heldtones import HOP, HeldToneMeter
from sidekeep.dsp.meter import Block
from sidekeep.dsp.spectra import Spectra
from sidekeep.dsp.ticks import LOW_SCALE, TickMeter
from sidekeep.dsp.tones import SpectrumMeter, ToneMeter


@dataclass(frozen=True)
class EventTable:
    """What happened when, on ticks of `tick_frames` (1 ms); a last incomplete tick is dropped.

    `treble` and `middle` (channels, ticks) are the largest second difference in the tick, of the
    signal itself over about 1/48000 s and of the signal below 4 kHz over 1/8000 s, in steps of half
    a decibel (see `spike_db`): clicks, crackle, hard edges. `low` (channels, ticks) is the signal
    below about 350 Hz, times 1024.

    `spectra` (channels, groups, bins) are mean powers of the shared spectra over `group_cells`
    cells, `cross` (groups, bins) the mean of left times the conjugate of right, real part.

    `tone_hz` (cells, tones) are the strongest partials of the sum of channels in each cell of the
    shared spectra, 0 where there is none. `break_tick` (n,) are the edges that stand out most,
    `breaks` (n, 5) say of each how much likelier it is that the sound breaks there than that it
    goes on (natural logarithm), how many seconds are missing if samples were lost, how like the
    sound is to its own continuation then (see `dsp.breaks`), how far it stands above the samples
    beside it in decibels, and how far at the top of the band (see `dsp.edges`; both are 0 for places
    where only the middle band could not be foretold).

    `held_hz` (cells, tones) are partials read more finely, in cells that begin every `held_frames`
    (0.13 s) and last twice as long.
    """

    tick_frames: int
    group_cells: int
    treble: NDArray[np.uint8]
    middle: NDArray[np.uint8]
    low: NDArray[np.float16]
    spectra: NDArray[np.float32]
    cross: NDArray[np.float32]
    tone_hz: NDArray[np.float32]
    held_frames: int
    held_hz: NDArray[np.float32]
    break_tick: NDArray[np.int64]
    breaks: NDArray[np.float32]

    @property
    def ticks(self) -> int:
        """The number of ticks."""
        return int(self.treble.shape[1])

    def low_signal(self, first: int, last: int) -> NDArray[np.float32]:
        """Decode `low[:, first:last]`, full scale = 1.0, shape (channels, last - first)."""
        signal = self.low[:, first:last].astype(np.float32)
        let_go(self.low)
        signal /= np.float32(LOW_SCALE)
        return signal


class SampleEvents:
    """Fills what an `EventTable` takes from the samples themselves."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._ticks = TickMeter(rate_hz, channels)
        self._held = HeldToneMeter(rate_hz / self._ticks.middle_frames)

    def update(self, block: Block) -> None:
        """Take the next block, shape (channels, frames)."""
        self._held.update(self._ticks.update(block))

    def finish(self) -> dict[str, Any]:
        """Return fields of the table for everything seen."""
        treble, middle, low = self._ticks.finish()
        break_tick, breaks = self._ticks.breaks()
        return {
            "tick_frames": self._ticks.tick,
            "treble": treble,
            "middle": middle,
            "low": low,
            "held_frames": HOP * self._ticks.middle_frames,
            "held_hz": self._held.finish(),
            "break_tick": break_tick,
            "breaks": breaks,
        }


class SpectralEvents:
    """Fills what an `EventTable` takes from the shared spectra."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._spectra = SpectrumMeter(channels)
        self._tones = ToneMeter(rate_hz)

    def update(self, spectra: Spectra) -> None:
        """Take the next cells of the shared spectra, shape (channels, cells, bins)."""
        self._spectra.update(spectra)
        self._tones.update(spectra)

    def finish(self) -> dict[str, Any]:
        """Return fields of the table for everything seen."""
        spectra, cross = self._spectra.finish()
        return {
            "group_cells": self._spectra.group_cells,
            "spectra": spectra,
            "cross": cross,
            "tone_hz": self._tones.finish(),
        }
