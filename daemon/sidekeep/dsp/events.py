"""Small tables from which the findings about a side are read: 1 ms ticks and mean spectra."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.signal
from numpy.typing import NDArray

from sidekeep.dsp.meter import Block

_LOW_TICKS = 8  # length of the low-pass, in ticks
_SPIKE_TOP_DB = 12.5  # the second difference of full-scale samples reaches 4.0
_SPIKE_STEP_DB = 0.5
_LOW_SCALE = 1024.0
_SPECTRUM_STRIDE = 4  # one cell in four enters the mean spectra
_SPECTRUM_GROUP = 64  # cells of the shared spectra per mean spectrum, about 1.4 s


@dataclass(frozen=True)
class EventTable:
    """What happened when, on ticks of `tick_frames` (1 ms); a last incomplete tick is dropped.

    `spikes` (channels, ticks) is the largest second difference in the tick, taken over about
    1/48000 s, in steps of half a decibel (see `spike_db`): clicks, crackle and treble. `low`
    (channels, ticks) is the signal below about 350 Hz, times 1024. `spectra` (channels, groups,
    bins) are mean powers of the shared spectra over `group_cells` cells.
    """

    tick_frames: int
    group_cells: int
    spikes: NDArray[np.uint8]
    low: NDArray[np.float16]
    spectra: NDArray[np.float32]

    def spike_db(self, first: int, last: int) -> NDArray[np.float32]:
        """Decode `spikes[:, first:last]` to decibels, shape (channels, last - first)."""
        codes = self.spikes[:, first:last].astype(np.float32)
        return codes * np.float32(_SPIKE_STEP_DB) + np.float32(_SPIKE_TOP_DB - 255 * _SPIKE_STEP_DB)

    def low_signal(self, first: int, last: int) -> NDArray[np.float32]:
        """Decode `low[:, first:last]`, full scale = 1.0, shape (channels, last - first)."""
        return self.low[:, first:last].astype(np.float32) / np.float32(_LOW_SCALE)


class EventMeter:
    """Fills an `EventTable`."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._ticks = _TickMeter(rate_hz, channels)
        self._spectra = _SpectrumMeter(channels)

    def update(self, block: Block) -> None:
        """Take the next block, shape (channels, frames)."""
        self._ticks.update(block)

    def update_spectra(self, spectra: NDArray[np.complex64]) -> None:
        """Take the next cells of the shared spectra, shape (channels, cells, bins)."""
        self._spectra.update(spectra)

    def finish(self) -> EventTable:
        """Return the table for everything seen."""
        spikes, low = self._ticks.finish()
        return EventTable(
            tick_frames=self._ticks.tick,
            group_cells=_SPECTRUM_GROUP,
            spikes=spikes,
            low=low,
            spectra=self._spectra.finish(),
        )


class _TickMeter:
    """The time-domain part: largest second difference and low-passed sample per tick."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self.tick = max(4, round(rate_hz / 1000))
        self._reach = max(1, round(rate_hz / 48000))
        taps = scipy.signal.firwin(_LOW_TICKS * self.tick, 500, fs=rate_hz, window=("kaiser", 5.65))
        self._taps = (taps * _LOW_SCALE).reshape(_LOW_TICKS, self.tick).T.astype(np.float32)
        # The filter's centre lies half its length after its first tick; zeros in front align it.
        self._rest = np.zeros((channels, _LOW_TICKS // 2 * self.tick), np.float32)
        self._spikes = [np.zeros((channels, 0), np.uint8)]
        self._low = [np.zeros((channels, 0), np.float16)]
        self._frames = 0

    def update(self, block: Block) -> None:
        self._frames += block.shape[1]
        self._take(block)

    def _take(self, block: Block) -> None:
        block = np.concatenate((self._rest, block), axis=1)
        whole = block.shape[1] // self.tick
        ready = whole - _LOW_TICKS
        if ready <= 0:
            self._rest = block
            return
        self._rest = block[:, ready * self.tick :].copy()
        self._low.append(self._low_passed(block[:, : (whole) * self.tick], ready))
        start = _LOW_TICKS // 2 * self.tick
        self._spikes.append(
            self._spiked(block[:, start : start + ready * self.tick + 2 * self._reach])
        )

    def _low_passed(self, block: Block, ready: int) -> NDArray[np.float16]:
        ticks = block.reshape(block.shape[0], -1, self.tick)
        parts = ticks @ self._taps
        low = sum(parts[:, shift : shift + ready, shift] for shift in range(_LOW_TICKS))
        return np.asarray(low, np.float16)

    def _spiked(self, block: Block) -> NDArray[np.uint8]:
        reach = self._reach
        bend = block[:, : -2 * reach] + block[:, 2 * reach :]
        bend -= 2 * block[:, reach:-reach]
        np.abs(bend, out=bend)
        peak = np.maximum.reduceat(bend, np.arange(0, bend.shape[1], self.tick), axis=1)
        steps = 20 / _SPIKE_STEP_DB * np.log10(np.maximum(peak, np.float32(1e-9)))
        codes = np.rint(steps) + np.float32(255 - _SPIKE_TOP_DB / _SPIKE_STEP_DB)
        return np.clip(codes, 0, 255).astype(np.uint8)

    def finish(self) -> tuple[NDArray[np.uint8], NDArray[np.float16]]:
        self._take(np.zeros((self._rest.shape[0], (_LOW_TICKS + 1) * self.tick), np.float32))
        ticks = self._frames // self.tick
        spikes = np.concatenate(self._spikes, axis=1)[:, :ticks]
        return spikes, np.concatenate(self._low, axis=1)[:, :ticks]


class _SpectrumMeter:
    """The spectral part: mean power spectra over groups of cells."""

    def __init__(self, channels: int) -> None:
        self._channels = channels
        self._cells = 0
        self._rest: NDArray[np.float32] | None = None
        self._groups: list[NDArray[np.float32]] = []

    def update(self, spectra: NDArray[np.complex64]) -> None:
        first = -self._cells % _SPECTRUM_STRIDE
        self._cells += spectra.shape[1]
        some = spectra[:, first::_SPECTRUM_STRIDE]
        power = some.real**2 + some.imag**2
        if self._rest is not None:
            power = np.concatenate((self._rest, power), axis=1)
        size = _SPECTRUM_GROUP // _SPECTRUM_STRIDE
        groups = power.shape[1] // size
        self._rest = power[:, groups * size :].copy()
        if groups:
            shape = (power.shape[0], groups, size, power.shape[2])
            self._groups.append(power[:, : groups * size].reshape(shape).mean(axis=2))

    def finish(self) -> NDArray[np.float32]:
        if self._rest is not None and self._rest.shape[1]:
            self._groups.append(self._rest.mean(axis=1, keepdims=True))
            self._rest = self._rest[:, :0]
        if not self._groups:
            return np.zeros((self._channels, 0, 0), np.float32)
        return np.concatenate(self._groups, axis=1)
