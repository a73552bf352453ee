"""Where the arm swings: after a jump it follows the stylus sideways, at its resonance."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.clicks import contrast_db
from sidekeep.findings.scene import Scene, stretches
from sidekeep.model import Span

# Arms swing at 8 to 12 Hz (common practice, no source). Sideways is what both channels share.
_ARM_HZ, _ORDER = (6.0, 16.0), 2
_CELL_TICKS = 5
# Where something swings in many half seconds of a side, the music does it; so many and so large a share
# of them may be jumps.
_HALF_S, _JUMPS, _SHARE = 0.5, 8, 0.02
_STANDS_OUT_DB = 10.0
_ONE_S, _RISES_S = 0.3, 0.15  # swings so close together are one; it has risen after so long
# An arm goes on swinging; a step in the bass, as where samples are missing, is soon over.
_LATER_S, _GOES_ON = (0.09, 0.2), 0.3
_HANDLED_S = 1.0  # the stylus was set down and lifted as the programme began and ended, perhaps
# Where the stylus lands, from when the swing is at half its height.
_BEFORE_S, _AFTER_S = 0.025, 0.006

Cells = NDArray[np.float32]


class Swings:
    """The swings of the arm in the programme; ticks are those of the event table."""

    def __init__(self, scene: Scene) -> None:
        tick, self._per_second = scene.seen.events.tick_frames, scene.ticks_per_second
        first, last = scene.ticks(scene.side.programme)
        handled = round(_HANDLED_S * self._per_second)
        self._scene, self._first = scene, first + handled
        inside = Span(self._first * tick, max(self._first, last - handled) * tick)
        parts = [_cells(piece) for piece in scene.low_band(_ARM_HZ, _ORDER, inside)]
        self._height = np.concatenate((np.zeros(0, np.float32), *parts))

    def places(self) -> list[range]:
        """The ticks among which the stylus landed, for each swing."""
        height = self._height
        cells_per_second = self._per_second / _CELL_TICKS
        usual = _usual(height, round(_HALF_S * cells_per_second))
        if not usual:
            return []
        high = height >= usual * 10 ** (_STANDS_OUT_DB / 20)
        rise = round(_RISES_S * cells_per_second)
        later = range(*(round(later_s * cells_per_second) for later_s in _LATER_S))
        found = []
        for first, last in stretches(high, join=round(_ONE_S * cells_per_second)):
            highest = float(height[first:last].max())
            peak = first + int(height[first:last].argmax())
            after = height[peak + later.start : peak + later.stop].max(initial=0)
            if after < _GOES_ON * highest:
                continue
            start = max(0, first - rise)
            half = start + int((height[start:last] >= highest / 2).argmax())
            onset = self._first + half * _CELL_TICKS
            before, after = (round(part_s * self._per_second) for part_s in (_BEFORE_S, _AFTER_S))
            found.append(range(max(0, onset - before), onset + after + _CELL_TICKS))
        return found

    def landings(self) -> list[int]:
        """The tick where the stylus landed, for each swing."""
        return [self.hardest(ticks) for ticks in self.places()]

    def hardest(self, ticks: range) -> int:
        """The tick with the edge that stands out most, in treble and middle together."""
        first = max(0, ticks.start - 40)
        treble, middle = self._scene.edges_db(first, ticks.stop + 40)
        stands_out = (contrast_db(treble) + contrast_db(middle))[ticks.start - first :][
            : len(ticks)
        ]
        return ticks.start + int(stands_out.argmax())


def _usual(height: Cells, half: int) -> float:
    """The height that the music reaches in the half seconds that are no jump, 0 for nothing."""
    whole = height.size // half
    highest = np.sort(height[: whole * half].reshape(whole, half).max(axis=1))[::-1]
    jumps = max(_JUMPS, int(_SHARE * whole))
    return float(highest[jumps]) if jumps < whole else 0.0


def _cells(piece: NDArray[np.float32]) -> Cells:
    """The largest sideways swing in each cell."""
    sideways = np.abs(piece.mean(axis=0))
    starts = np.arange(0, sideways.size, _CELL_TICKS)
    cells: Cells = np.maximum.reduceat(sideways, starts) if starts.size else sideways
    return cells
