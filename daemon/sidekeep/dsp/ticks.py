"""The time-domain part of the events: hard edges in two bands and the bass, every millisecond."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.breakmeter import BreakMeter
from sidekeep.dsp.edges import EdgeMeter, TrebleMeter
from sidekeep.dsp.gathering import Spool
from sidekeep.dsp.meter import Block

LOW_SCALE = 1024.0  # float16 keeps full precision from -84 dBFS up; this moves it to -144

_MIDDLE_HZ = 8000
_MIDDLES = 8  # samples of the middle band per tick
_KAISER_60_DB = 5.65
_REACH = 8  # a decimating filter spans so many output samples
# Runs of the filter that are one product. Each has the same shape, since what a product rounds to may
# depend on its shape, and the result shall not depend on how the signal was cut.
_RUNS = 32


class Decimator:
    """Low-passes and keeps one sample in `factor`, for blocks of any length.

    The filter spans `_REACH` output samples; output sample i stands for the frames around
    i * factor. Passband ends near a quarter of the output rate; what folds back lies 60 dB down
    from three quarters of it.
    """

    def __init__(self, factor: int, channels: int) -> None:
        taps = _low_pass(_REACH * factor, 0.5 / factor)
        # A run of `_REACH` outputs is a matrix times the frames of its own run, and times those of the
        # next one: a filter that begins at output k of a run reaches k outputs into the next.
        spread = np.zeros((2 * _REACH, factor, _REACH))
        for output in range(_REACH):
            spread[output : output + _REACH, :, output] = taps.reshape(_REACH, factor)
        own, following = np.split(spread.reshape(-1, _REACH), 2)
        self._taps = np.ascontiguousarray(np.concatenate((own, following), axis=1), np.float32)
        self._run = _REACH * factor
        # The filter's centre lies half its length after its first frame; zeros in front align it.
        self._rest = np.zeros((channels, self._run // 2), np.float32)
        self._own = np.zeros((channels, 0, _REACH), np.float32)  # of the last run

    def process(self, block: Block) -> Block:
        """Take the next frames (channels, frames); give the finished output samples."""
        block = np.concatenate((self._rest, block), axis=1)
        groups = block.shape[1] // (_RUNS * self._run)
        whole = groups * _RUNS * self._run
        self._rest = block[:, whole:].copy()
        if not groups:
            return block[:, :0]
        grouped = block[:, :whole].reshape(len(block), groups, _RUNS, self._run)
        parts = (grouped @ self._taps).reshape(len(block), -1, 2 * _REACH)
        own = np.concatenate((self._own, parts[:, :, :_REACH]), axis=1)
        self._own = own[:, -1:].copy()
        ready = own.shape[1] - 1  # what the next run adds to the last one is still to come
        out: Block = own[:, :ready] + parts[:, -ready:, _REACH:]
        return out.reshape(len(block), -1)


def _low_pass(taps: int, corner: float) -> NDArray[np.float64]:
    """A windowed-sinc low-pass, `corner` in cycles per sample, sum 1 (Kaiser's window, 60 dB)."""
    place = np.arange(taps) - (taps - 1) / 2
    found = np.sinc(2 * corner * place) * np.kaiser(taps, _KAISER_60_DB)
    result: NDArray[np.float64] = found / found.sum()
    return result


class TickMeter:
    """Fills `treble`, `middle` and `low` of the event table."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        factor = max(1, round(rate_hz / _MIDDLE_HZ))
        self.tick = _MIDDLES * factor
        self.middle_frames = factor
        self._channels, self._frames = channels, 0
        self._to_middle = Decimator(factor, channels)
        self._to_low = Decimator(_MIDDLES, channels)
        self._treble = TrebleMeter(self.tick, rate_hz, channels)
        self._middle = EdgeMeter(_MIDDLES, 1, channels)
        self._low = Spool(axis=1)
        self._breaks = BreakMeter(rate_hz / factor, _MIDDLES, channels)

    def update(self, block: Block) -> Block:
        """Take the next block, shape (channels, frames); give the sound below 4 kHz so far."""
        self._frames += block.shape[1]
        self._treble.update(block)
        self._breaks.note(self._treble.edges)
        return self._take_middle(block)

    def _take_middle(self, block: Block) -> Block:
        middle = self._to_middle.process(block)
        self._middle.update(middle)
        self._breaks.update(middle)
        self._low.append((self._to_low.process(middle) * np.float32(LOW_SCALE)).astype(np.float16))
        return middle

    def finish(self) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.float16]]:
        """Return treble, middle and low, each (channels, ticks)."""
        silence = np.zeros((self._channels, (_RUNS + 2) * _REACH * self.tick), np.float32)
        self._take_middle(silence)
        ticks = self._frames // self.tick
        low = self._low.table()[:, :ticks]
        return self._treble.finish(ticks), self._middle.finish(ticks), low

    def breaks(self) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
        """Return the hardest edges and whether the music breaks there (see `BreakMeter`)."""
        return self._breaks.finish()
