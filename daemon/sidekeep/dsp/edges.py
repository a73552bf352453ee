"""Hard edges: the sharpest bend of a signal in every millisecond, and how suddenly the hardest come.

What went through a cartridge and a converter has a bandwidth: even a speck of dust takes some samples
to come and to go. Only what went wrong behind the converter is over from one sample to the next.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.clicks import contrast_db
from sidekeep.dsp.gathering import Spool
from sidekeep.dsp.meter import Block
from sidekeep.dsp.topband import HOPS, TopMeter

SPIKE_TOP_DB = 12.5  # the second difference of full-scale samples reaches 4.0
SPIKE_STEP_DB = 0.5

#: Edges that stand so far above the samples beside them are no sound. In 120 clicks of three recordings
#: of worn grooves at 44.1 kHz the most is 9.3 dB; half the places where samples are missing reach 24 dB.
SUDDEN_DB = 10.0

#: Levels at the top of the band that stand so far above those before and after. In four recordings of
#: worn grooves the most is 21 dB, on quiet ones 8 to 12; half the places where samples are missing
#: reach 35.
TOP_SUDDEN_DB = 11.0

_MARGIN_TICKS = 16  # what tells how an edge stands out lies within so many ticks
_STAND_OUT_DB, _LEVEL_DB = 7.0, -40.0
# A sudden edge may lie just before a drum: only the ticks around its own are softer.
_ALONE_DB, _ALONE_TICKS, _ALONE_LEVEL_DB = 5.0, (-3, -2, 2, 3), -60.0
_TOP_DB, _TOP_NOTHING = 9.0, 1e-16
_BESIDE = 12  # samples at about 48 kHz
_NOTHING = 1e-14


@dataclass(frozen=True)
class Edges:
    """Edges that stand out of what is before and after them, all in the ticks before `until`.

    `tick`, `within` (where in the tick, 0 to 1), `contrast_db` (see `dsp.clicks`), `sharp_db`, how far
    the edge stands above the quarter of a millisecond before and after it, and `top_db`, the contrast
    at the top of the band, are of shape (n,).
    """

    tick: NDArray[np.int64]
    within: NDArray[np.float32]
    contrast_db: NDArray[np.float32]
    sharp_db: NDArray[np.float32]
    top_db: NDArray[np.float32]
    until: int


def spike_db(codes: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Decode `treble` or `middle` to decibels; 0 dB is a second difference of full scale."""
    lowest = np.float32(SPIKE_TOP_DB - 255 * SPIKE_STEP_DB)
    return codes.astype(np.float32) * np.float32(SPIKE_STEP_DB) + lowest


class EdgeMeter:
    """The largest second difference, taken over `reach` samples, in every `tick` samples."""

    def __init__(self, tick: int, reach: int, channels: int) -> None:
        self._tick, self._reach = tick, reach
        self._rest = np.zeros((channels, 0), np.float32)
        self._codes = Spool(axis=1)

    def update(self, block: Block) -> None:
        """Take the next samples, shape (channels, samples)."""
        block = np.concatenate((self._rest, block), axis=1)
        ticks = max(0, block.shape[1] - 2 * self._reach) // self._tick
        self._rest = block[:, ticks * self._tick :].copy()
        self._codes.append(self._coded(block, 0, ticks))

    def _coded(self, block: Block, first: int, last: int) -> NDArray[np.uint8]:
        """The codes of some ticks of a block, shape (channels, last - first)."""
        if first >= last:
            return np.zeros((len(block), 0), np.uint8)
        reach = self._reach
        block = block[:, first * self._tick : last * self._tick + 2 * reach]
        bend = block[:, reach:-reach] * np.float32(-2)
        bend += block[:, : -2 * reach]
        bend += block[:, 2 * reach :]
        np.abs(bend, out=bend)
        starts = np.arange(0, bend.shape[1], self._tick)
        peak = np.maximum(np.maximum.reduceat(bend, starts, axis=1), np.float32(1e-9))
        steps = np.rint(np.float32(20 / SPIKE_STEP_DB) * np.log10(peak))
        codes = np.clip(steps + np.float32(255 - SPIKE_TOP_DB / SPIKE_STEP_DB), 0, 255)
        return codes.astype(np.uint8)

    def finish(self, ticks: int) -> NDArray[np.uint8]:
        """Return the codes of so many ticks, shape (channels, ticks); what is not there yet is silent."""
        self.update(np.zeros((self._rest.shape[0], self._tick + 2 * self._reach), np.float32))
        return self._codes.table()[:, :ticks]


class TrebleMeter(EdgeMeter):
    """An `EdgeMeter` that looks closely at the edges that stand out."""

    def __init__(self, tick: int, rate_hz: float, channels: int) -> None:
        super().__init__(tick, max(1, round(rate_hz / 48_000)), channels)
        self._first = 0
        self._top = TopMeter(tick, rate_hz, channels)
        self._louder_db = np.zeros(0, np.float32)  # of the ticks whose samples were kept
        self._top_power = np.zeros((0, HOPS), np.float32)
        self.edges = self._none(0)

    def update(self, block: Block) -> None:
        """Take the next samples, shape (channels, samples); `edges` are those of the new ticks."""
        power = np.concatenate((self._top_power, self._top.update(block)))
        block = np.concatenate((self._rest, block), axis=1)
        known = self._louder_db.size
        codes = self._coded(block, known, (block.shape[1] - 2 * self._reach) // self._tick)
        self._codes.append(codes)
        louder_db = np.concatenate((self._louder_db, spike_db(codes.max(axis=0))))
        ticks = min(louder_db.size, len(power))
        self.edges = self._standing_out(block, louder_db[:ticks], power[:ticks])
        done = max(0, ticks - 2 * _MARGIN_TICKS)
        self._rest, self._louder_db = block[:, done * self._tick :].copy(), louder_db[done:]
        self._top_power = power[done:]
        self._first += done

    @staticmethod
    def _none(until: int) -> Edges:
        none = np.zeros(0, np.float32)
        return Edges(np.zeros(0, np.int64), none, none, none, none, until)

    def _standing_out(
        self, block: Block, louder_db: NDArray[np.float32], top_power: NDArray[np.float32]
    ) -> Edges:
        first, last = _MARGIN_TICKS, louder_db.size - _MARGIN_TICKS
        if first >= last:
            return self._none(self._first + max(0, last))
        contrast, level = contrast_db(louder_db)[first:last], louder_db[first:last]
        highest = np.maximum.reduce(top_power, axis=1)
        top = contrast_db(10 * np.log10(highest + np.float32(_TOP_NOTHING)))[first:last]
        standing = (contrast >= _STAND_OUT_DB) & (level >= _LEVEL_DB) | (top >= _TOP_DB)
        near = np.maximum.reduce([louder_db[first + k : last + k] for k in _ALONE_TICKS])
        alone = (level >= near + _ALONE_DB) & (level >= _ALONE_LEVEL_DB)
        maybe = np.flatnonzero(standing | alone)
        within, sharp = self._peaks(block, maybe + first)
        # In loud treble the hardest bend of a tick may lie elsewhere.
        by_top = (top[maybe] >= _TOP_DB) & (sharp < SUDDEN_DB)
        hop = top_power[maybe + first].argmax(axis=1).astype(np.float32)
        within = np.where(by_top, (hop + np.float32(0.5)) / np.float32(HOPS), within)
        taken = standing[maybe] | (sharp >= SUDDEN_DB)
        tick = maybe[taken]
        return Edges(
            tick + first + self._first,
            within[taken].astype(np.float32),
            contrast[tick],
            sharp[taken],
            top[tick],
            until=self._first + last,
        )

    def _peaks(
        self, block: Block, ticks: NDArray[np.int64]
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Where the hardest bend of each tick is, and how far it stands above what is beside it."""
        reach, beside = self._reach, _BESIDE * self._reach
        columns = np.arange(-beside, self._tick + beside + 2 * reach)
        samples = block[:, (ticks * self._tick)[:, np.newaxis] + columns]
        bend = samples[..., : -2 * reach] + samples[..., 2 * reach :]
        bend -= 2 * samples[..., reach:-reach]
        power = np.einsum("crs,crs->rs", bend, bend)
        place = power[:, beside : beside + self._tick].argmax(axis=1)[:, np.newaxis]
        highest = np.take_along_axis(power, place + beside, axis=1)[:, 0]
        away = np.abs(np.arange(-beside, self._tick + beside) - place)
        # A step from one sample to the next bends as many as two reaches.
        around = np.where((away > 2 * reach) & (away <= beside), power, 0).max(axis=1, initial=0)
        sharp_db = 10 * np.log10((highest + _NOTHING) / (around + _NOTHING))
        within = (place[:, 0] + reach) / self._tick
        return within.astype(np.float32), sharp_db.astype(np.float32)
