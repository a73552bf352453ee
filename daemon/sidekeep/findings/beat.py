"""Where the beat jumps ahead by a turn of the record, as it does when a stylus jumps."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.beatjump import CELL_TICKS, beat_envelope, beat_jumps, beat_levels
from sidekeep.dsp.beatplace import beat_parts
from sidekeep.dsp.clicks import contrast_db
from sidekeep.findings.scene import PIECE_TICKS, Scene, stretches
from sidekeep.model import Span

_EDGE_S = 4.0  # a place so near to the next gap is not looked at
_COARSE_S, _FINE_S = 2.0, 0.1
_MAYBE, _LIKELY = 0.2, 0.4  # odds from which a place is looked at more closely
_WIDTH_S = 1.5  # so far from a jump the odds still rise
# The beat alone has four jumps in five within 0.2 s; the edges there have nineteen in twenty.
_REACH_S, _REACH_DB = 0.8, 36.0  # an edge so far away must be so much harder
_MOST_SHARP_DB = 30.0
_PARTS_DB, _LEAST_PARTS_DB = 0.5, -30.0  # what the logarithm of a likelihood is worth
# A pause is so long and of so much of the power around it, and lies so near to a place.
_PAUSE_S, _SILENT, _LISTENED_S, _NEAR_S = 0.3, 0.01, 5.0, 1.0

Ticks = NDArray[np.int64]


class BeatJumps:
    """The beat of a side; ticks are those of its event table."""

    def __init__(self, scene: Scene) -> None:
        events = scene.seen.events
        cell = events.tick_frames * CELL_TICKS
        self._scene = scene
        self._per_second = scene.seen.rate_hz / cell
        self._turns = tuple(period_s * self._per_second for period_s in scene.periods_s())
        pieces = np.array(scene.pieces(), np.int64).reshape(-1, 2) // cell
        self._pieces = np.minimum(pieces, events.ticks // CELL_TICKS)

    def odds(self, ticks: Ticks) -> NDArray[np.float64]:
        """What `dsp.beatjump.beat_jumps` says of some ticks, shape (n,)."""
        return self._odds(ticks // CELL_TICKS)

    def places(self) -> list[tuple[int, float]]:
        """Ticks where the beat may jump, each with its odds, in order of time."""
        edge, hop = _EDGE_S * self._per_second, _COARSE_S * self._per_second
        spans = [np.arange(first + edge, last - edge, hop) for first, last in self._pieces]
        cells = np.concatenate((np.zeros(0), *spans)).astype(np.int64)
        maybe = cells[self._odds(cells) >= _MAYBE]
        closer = np.unique(maybe[:, np.newaxis] + (hop * np.array([-0.5, 0, 0.5])).astype(np.int64))
        odds = self._odds(closer)
        likely, odds = closer[odds >= _LIKELY], odds[odds >= _LIKELY]
        parted = np.flatnonzero(np.diff(likely) > hop) + 1
        runs = zip(np.split(likely, parted), np.split(odds, parted), strict=True)
        hills = [self._hill(int(run[said.argmax()])) for run, said in runs if run.size]
        return [
            (self._hardest(middle), height) for middle, height in hills if not self._pauses(middle)
        ]

    @cached_property
    def _envelope(self) -> NDArray[np.float32]:
        events = self._scene.seen.events
        levels = [np.zeros((3, 0), np.float32)]
        for first in range(0, events.ticks, PIECE_TICKS):
            part = first, first + PIECE_TICKS
            levels.append(beat_levels(self._scene.edges_db(*part), events.low_signal(*part)))
        return beat_envelope(np.concatenate(levels, axis=1))

    def _odds(self, cells: Ticks) -> NDArray[np.float64]:
        within = self._within(cells)
        return beat_jumps(self._envelope, cells, within, self._turns, self._per_second)

    def _within(self, cells: Ticks) -> Ticks:
        """First and last cell of the stretch of music that holds each cell, shape (n, 2)."""
        found = np.searchsorted(self._pieces[:, 0], cells, side="right") - 1
        return self._pieces[np.maximum(found, 0)]

    def _hill(self, place: int) -> tuple[int, float]:
        """The middle of the hill that the odds make around a cell, in ticks, and its height."""
        width = _WIDTH_S * self._per_second
        cells = np.arange(place - width, place + width, _FINE_S * self._per_second).astype(np.int64)
        odds = self._odds(cells)
        weights = np.maximum(odds - odds.max() / 2, 0)
        return round(float(cells @ weights / weights.sum()) * CELL_TICKS), float(odds.max())

    def _pauses(self, middle: int) -> bool:
        """Whether the music stops near a tick: players may begin again out of step, a stylus does not."""
        seen = self._scene.seen
        cell, place = seen.levels.cell_frames, middle * seen.events.tick_frames
        listened, near = (round(reach_s * seen.rate_hz) for reach_s in (_LISTENED_S, _NEAR_S))
        start = max(0, place - listened)
        power = self._scene.levels(Span(start, place + listened)).sum(axis=0)
        around = power[max(0, place - start - near) // cell : (place - start + near) // cell]
        silent = stretches(around < _SILENT * np.median(power))
        return any((last - first) * cell >= _PAUSE_S * seen.rate_hz for first, last in silent)

    def _hardest(self, middle: int) -> int:
        """The tick near another where the beat may part and an edge stands out most."""
        events = self._scene.seen.events
        reach = round(_REACH_S * self._scene.ticks_per_second)
        ticks = np.arange(max(0, middle - reach), min(middle + reach, events.ticks))
        treble, middle_band = self._scene.edges_db(ticks[0], ticks[-1] + 1)
        says = contrast_db(treble) + contrast_db(middle_band)
        near = (events.break_tick >= ticks[0]) & (events.break_tick <= ticks[-1])
        sharp_db = np.clip(events.breaks[near, 3], 0, _MOST_SHARP_DB)
        says[events.break_tick[near] - ticks[0]] += sharp_db
        cell = middle // CELL_TICKS
        ((first, last),) = self._within(np.array([cell])).tolist()
        parts = beat_parts(self._envelope, cell, (first, last), self._per_second)
        cells = cell + np.arange(parts.size) - parts.size // 2
        says += np.interp(ticks, cells * CELL_TICKS, np.maximum(_PARTS_DB * parts, _LEAST_PARTS_DB))
        says -= _REACH_DB * ((ticks - middle) / reach) ** 2
        return int(ticks[says.argmax()])
