"""Looks for breaks at the edges that stand out, piece by piece, as the samples come."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.breaks import examine
from sidekeep.dsp.clicks import contrast_db
from sidekeep.dsp.edges import SUDDEN_DB, TOP_SUDDEN_DB, Edges
from sidekeep.dsp.whitening import whitened

_PIECE_TICKS = 16_000
# Edges that are looked at in each piece: those at the top of the band, the sharpest, then those that
# stand out most; and where the middle band could not be foretold.
_TOP, _SHARPEST, _STANDING, _UNFORETOLD = 3, 7, 3, 3
_STANDS_OUT_DB, _APART_TICKS, _NOTHING = 4.0, 3, 1e-14
_MARGIN_TICKS = 300  # what the lowest bands need on either side of an edge

Signal = NDArray[np.float32]


class BreakMeter:
    """Examines the edges that stand out most in every sixteen seconds.

    It takes the middle band (a fixed number of samples per tick) and the edges of the treble.
    """

    def __init__(self, middle_hz: float, per_tick: int, channels: int) -> None:
        self._middle_hz, self._per_tick = middle_hz, per_tick
        self._middle = np.zeros((channels, 0), np.float32)
        self._noted: list[Edges] = []
        self._offset = 0
        self._found: list[tuple[NDArray[np.int64], Signal]] = [
            (np.zeros(0, np.int64), np.zeros((0, 5), np.float32))
        ]

    def note(self, edges: Edges) -> None:
        """Take the next edges; they belong to samples that come, or came, with `update`."""
        self._noted.append(edges)

    def update(self, middle: Signal) -> None:
        """Take the next samples, shape (channels, samples)."""
        self._middle = np.concatenate((self._middle, middle), axis=1)
        while self._ticks >= _PIECE_TICKS + 2 * _MARGIN_TICKS:
            self._examine(_PIECE_TICKS)

    @property
    def _ticks(self) -> int:
        """Ticks of which both the samples and the edges are known."""
        edges_until = self._noted[-1].until if self._noted else 0
        return min(edges_until - self._offset, self._middle.shape[1] // self._per_tick)

    def _examine(self, ticks: int) -> None:
        """Look at so many ticks behind the margin, then move on."""
        first, last = self._offset + _MARGIN_TICKS, self._offset + _MARGIN_TICKS + ticks
        tick, within, contrast, sharp, top = (
            np.concatenate([getattr(one, name) for one in self._noted])
            for name in ("tick", "within", "contrast_db", "sharp_db", "top_db")
        )
        inside = np.flatnonzero((tick >= first) & (tick < last))
        chosen = inside[_urgent(contrast[inside], sharp[inside], top[inside])]
        middle = self._middle[:, : (ticks + 2 * _MARGIN_TICKS) * self._per_tick]
        others = _unforetold(middle.mean(axis=0), self._per_tick, tick[chosen] - self._offset)
        sharp, top = (np.pad(one[chosen], (0, others.size)) for one in (sharp, top))
        places = (tick[chosen] - self._offset + within[chosen]) * self._per_tick
        places = np.concatenate((np.rint(places).astype(np.int64), others))
        if places.size:
            sudden = (sharp >= SUDDEN_DB) | (top >= TOP_SUDDEN_DB)
            seen = examine(middle, self._middle_hz, places, sudden)
            at = np.concatenate((tick[chosen], others // self._per_tick + self._offset))
            order = np.argsort(at, kind="stable")
            self._found.append((at[order], np.column_stack((seen, sharp, top))[order]))
        self._offset += ticks
        self._noted = [one for one in self._noted if one.until > last] or self._noted[-1:]
        self._middle = self._middle[:, ticks * self._per_tick :].copy()

    def finish(self) -> tuple[NDArray[np.int64], Signal]:
        """Return ticks (n,) and, (n, 5): scores, lost seconds, their likeness, `sharp_db`, `top_db`."""
        last = self._ticks - 2 * _MARGIN_TICKS
        if last > 0:
            self._examine(last)
        ticks, seen = zip(*self._found, strict=True)
        return np.concatenate(ticks), np.concatenate(seen)


def _urgent(contrast_db: Signal, sharp_db: Signal, top_db: Signal) -> NDArray[np.int64]:
    """The edges to look at, in order of time: those at the top of the band first."""
    left = np.arange(top_db.size)
    taken = []
    for says, number in ((top_db, _TOP), (sharp_db, _SHARPEST), (contrast_db, _STANDING)):
        order = np.argsort(-says[left], kind="stable")
        taken.append(left[order[:number]])
        left = np.sort(left[order[number:]])
    return np.sort(np.concatenate(taken))


def _unforetold(middle: Signal, per_tick: int, known: NDArray[np.int64]) -> NDArray[np.int64]:
    """The samples that stand out most when what could be foretold is gone, none at a known tick."""
    even = middle[: middle.size // 2 * 2].reshape(-1, 2)
    # What is high loses in both ways, and drums are.
    half = np.float32(0.5) * (even[:, 0] + even[:, 1])
    power = whitened(half) ** 2
    per_tick //= 2
    ticks = power.size // per_tick
    table = power[: ticks * per_tick].reshape(ticks, per_tick)
    contrast = contrast_db(10 * np.log10(table.sum(axis=1) + np.float32(_NOTHING)))
    contrast[:_MARGIN_TICKS] = contrast[ticks - _MARGIN_TICKS :] = 0
    for near in range(-_APART_TICKS, _APART_TICKS + 1):
        contrast[np.clip(known + near, 0, ticks - 1)] = 0
    places = []
    for _ in range(_UNFORETOLD):
        tick = int(contrast.argmax())
        if contrast[tick] < _STANDS_OUT_DB:
            break
        places.append(2 * (tick * per_tick + int(table[tick].argmax())))
        contrast[max(0, tick - _APART_TICKS) : tick + _APART_TICKS + 1] = 0
    return np.array(places, np.int64)
