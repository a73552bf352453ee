"""What the recorder did to the samples: rails, held samples, repeated buffers, unused word bits.

This meter must see the recording *before* any treatment: a filter would smear what it looks for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from sidekeep.dsp.gathering import Spool
from sidekeep.dsp.meter import Block

_LOUD = 0.8  # only cells this close to the loudest so far can show a rail
_FLAT = 8e-4  # flat means within this part of the cell's own peak: room for converter noise
_WIDE = 4 * _FLAT  # a smooth top is twice as long at four times the depth, a clipped one hardly
_QUIETEST = 0.02  # peaks below -34 dBFS are never called rails
_WORD_STRIDE = 16  # the word length is looked up in one cell of sixteen
_ANCHORS_PER_S = 1000  # about so many frames, chosen by their value, are anchors for repeats
_ANCHOR_FRAMES = 16
_REPEAT_REACH_S = 0.5
_MOST_REPEATS = 20_000
_STIR = np.uint64(0x9E3779B97F4A7C15)  # odd, half its bits set: 2**64 over the golden ratio
_FACTORS = np.cumprod(np.full(_ANCHOR_FRAMES // 2, _STIR))  # wraps around, as it shall


@dataclass(frozen=True)
class CaptureTable:
    """Cells of `cell_frames` (10 ms) of the untreated recording; the last cell may be short.

    `peaks` (channels, cells, 2) are the highest sample and the negated lowest one, full scale
    1.0; `flat` (same shape) the longest run of frames within 8e-4 of that peak, 0 where the cell
    is not loud or its top merely round; `held` (channels, cells) the longest run of exactly equal
    samples when it spans about half a millisecond, else 0. `repeat_frame` and `repeat_lag` (n,)
    are places where sixteen frames
    equal, bit for bit, those `repeat_lag` frames earlier. `word` is the OR of all sample codes
    at 24 bits (looked up in a sixteenth of the cells); 0 when samples are not 24-bit codes.
    """

    cell_frames: int
    rate_hz: int
    word: int
    peaks: NDArray[np.float32]
    flat: NDArray[np.uint16]
    held: NDArray[np.uint16]
    repeat_frame: NDArray[np.int64]
    repeat_lag: NDArray[np.int64]


def longest_run(marks: NDArray[np.bool_]) -> NDArray[np.uint16]:
    """Length of the longest run of true values along the last axis; shape without that axis."""
    index = np.arange(1, marks.shape[-1] + 1, dtype=np.int32)
    last_false = np.maximum.accumulate(np.where(marks, 0, index), axis=-1)
    longest: NDArray[np.uint16] = (index - last_false).max(axis=-1, initial=0).astype(np.uint16)
    return longest


class CaptureMeter:
    """Fills a `CaptureTable`."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz = rate_hz
        self._cell = max(1, round(rate_hz / 100))
        self._rest = np.zeros((channels, 0), np.float32)
        self._cells = 0
        self._loudest = np.zeros((channels, 1, 2), np.float32)
        self._peaks = Spool(1, np.zeros((channels, 0, 2), np.float32))
        self._flat = Spool(1, np.zeros((channels, 0, 2), np.uint16))
        self._held = Spool(1, np.zeros((channels, 0), np.uint16))
        self._word = 0
        self._whole = True
        self._repeats = _RepeatFinder(rate_hz)

    def update(self, block: Block) -> NDArray[np.float32]:
        """Take the next untreated block, shape (channels, frames); give `peaks` of the new cells."""
        self._repeats.update(block)
        if self._rest.shape[1]:
            block = np.concatenate((self._rest, block), axis=1)
        cells = block.shape[1] // self._cell
        self._rest = block[:, cells * self._cell :].copy()
        if not cells:
            return self._loudest[:, :0]
        return self._add(block[:, : cells * self._cell].reshape(block.shape[0], cells, self._cell))

    def _add(self, cells: Block) -> NDArray[np.float32]:
        peaks = np.stack((cells.max(axis=2), -cells.min(axis=2)), axis=2)
        loudest = np.maximum.accumulate(np.concatenate((self._loudest, peaks), axis=1), axis=1)[
            :, 1:
        ]
        self._loudest = loudest[:, -1:]
        self._peaks.append(peaks)
        self._flat.append(_flat_runs(cells, peaks, loudest))
        self._held.append(_held_runs(cells, self._rate_hz))
        self._look_at_words(cells)
        self._cells += cells.shape[1]
        return peaks

    def _look_at_words(self, cells: Block) -> None:
        first = -self._cells % _WORD_STRIDE
        codes = cells[:, first::_WORD_STRIDE] * np.float32(2**23)
        whole = codes.astype(np.int32)
        self._whole = self._whole and bool((whole == codes).all())
        self._word |= int(np.bitwise_or.reduce(whole, axis=None))

    def finish(self) -> CaptureTable:
        """Return the table; a last incomplete cell is kept."""
        if self._rest.shape[1]:
            self._add(self._rest[:, np.newaxis, :])
            self._rest = self._rest[:, :0]
        frames, lags = self._repeats.found()
        return CaptureTable(
            cell_frames=self._cell,
            rate_hz=self._rate_hz,
            word=self._word & 0xFFFFFF if self._whole else 0,
            peaks=self._peaks.table(),
            flat=self._flat.table(),
            held=self._held.table(),
            repeat_frame=frames,
            repeat_lag=lags,
        )


def _flat_runs(
    cells: Block, peaks: NDArray[np.float32], loudest: NDArray[np.float32]
) -> NDArray[np.uint16]:
    flat = np.zeros(peaks.shape, np.uint16)
    loud = (peaks >= _LOUD * loudest) & (peaks >= _QUIETEST)
    for side, sign in ((0, 1.0), (1, -1.0)):
        channel, cell = np.nonzero(loud[:, :, side])
        if channel.size:
            rows = cells[channel, cell] * np.float32(sign)
            top = peaks[channel, cell, side, np.newaxis]
            run = longest_run(rows >= top * np.float32(1 - _FLAT))
            wide = longest_run(rows >= top * np.float32(1 - _WIDE))
            flat[channel, cell, side] = np.where(wide <= 1.5 * run + 1, run, 0)
    return flat


def _held_runs(cells: Block, rate_hz: int) -> NDArray[np.uint16]:
    """Look at a few samples per millisecond first; only where they stand still, at all of them."""
    sparse = cells[:, :, :: max(1, rate_hz // 4000)]
    still = sparse[:, :, 1:] == sparse[:, :, :-1]
    held = np.zeros(cells.shape[:2], np.uint16)
    channel, cell = np.nonzero((still[:, :, 1:] & still[:, :, :-1]).any(axis=2))
    if channel.size:
        rows = cells[channel, cell]
        held[channel, cell] = longest_run(rows[:, 1:] == rows[:, :-1]) + 1
    return held


class _RepeatFinder:
    """Finds stretches that occur twice, bit for bit, within a short reach.

    Anchors are chosen by the value of the sample itself, so that the same audio gives the same
    anchors wherever it stands; two anchors with the same key are a repeat.
    """

    def __init__(self, rate_hz: int) -> None:
        self._reach = round(_REPEAT_REACH_S * rate_hz)
        self._chosen_below = np.uint32(2**32 * _ANCHORS_PER_S // rate_hz)
        self._frame = 0
        self._rest: Block | None = None  # frames after which too few have come yet
        self._keys = np.zeros(0, np.uint64)
        self._places = np.zeros(0, np.int64)
        self._frames: list[NDArray[np.int64]] = []
        self._lags: list[NDArray[np.int64]] = []
        self._count = 0

    def update(self, block: Block) -> None:
        if self._rest is not None:
            joined = np.concatenate((self._rest, block[:, :_ANCHOR_FRAMES]), axis=1)
            if block.shape[1] < _ANCHOR_FRAMES:
                block = joined
            else:
                self._look(joined)
        self._look(block)
        self._rest = block[:, -_ANCHOR_FRAMES:].copy()

    def _look(self, block: Block) -> None:
        """Look at the frames of a block that are followed by enough others."""
        usable = block.shape[1] - _ANCHOR_FRAMES
        if usable <= 0:
            return
        first = np.ascontiguousarray(block[0, :usable]).view(np.uint32)
        chosen = np.flatnonzero(first * np.uint32(2654435761) < self._chosen_below)
        chosen = chosen[block[0, chosen] != block[0, chosen + 1]]
        self._match(_keys(block, chosen), chosen + self._frame)
        self._frame += usable

    def _match(self, keys: NDArray[np.uint64], places: NDArray[np.int64]) -> None:
        keys = np.concatenate((self._keys, keys))
        places = np.concatenate((self._places, places))
        if self._count < _MOST_REPEATS and _any_twice(keys):
            self._note(keys, places)
        recent = places > (places[-1] if places.size else 0) - self._reach
        self._keys, self._places = keys[recent], places[recent]

    def _note(self, keys: NDArray[np.uint64], places: NDArray[np.int64]) -> None:
        """Note the repeats among anchors whose places are in order."""
        order = np.argsort(keys, kind="stable")
        sorted_keys, sorted_places = keys[order], places[order]
        twin = np.flatnonzero(sorted_keys[1:] == sorted_keys[:-1])
        frames, lags = sorted_places[twin + 1], np.diff(sorted_places)[twin]
        fresh = (frames >= self._frame) & (lags <= self._reach)
        kept = np.argsort(frames[fresh], kind="stable")
        self._frames.append(frames[fresh][kept])
        self._lags.append(lags[fresh][kept])
        self._count += kept.size

    def found(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        none = np.zeros(0, np.int64)
        frames = np.concatenate((none, *self._frames))[:_MOST_REPEATS]
        return frames, np.concatenate((none, *self._lags))[:_MOST_REPEATS]


def _any_twice(keys: NDArray[np.uint64]) -> bool:
    ordered = np.sort(keys)
    return bool((ordered[1:] == ordered[:-1]).any())


def _keys(block: Block, chosen: NDArray[np.int64]) -> NDArray[np.uint64]:
    """Hash the sixteen frames from each chosen one on, shape (chosen,)."""
    keys = np.zeros(chosen.size, np.uint64)
    for channel in {0, block.shape[0] - 1}:
        frames = sliding_window_view(block[channel], _ANCHOR_FRAMES)[chosen]
        words = frames.view(np.uint64) * _STIR
        words ^= words >> np.uint64(32)
        keys = keys * _STIR + words @ _FACTORS
    return keys
