"""Beats that come too early from some moment on, in music that keeps time like a machine.

Such music repeats itself to the millisecond. Where the recorder loses samples, everything that follows
comes as much earlier; for as long as a repetition lies across the place, the distance to it is shorter by
what was lost, and then as it was. A player's beat moves by more than that from bar to bar, and nothing
is said of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.ndimage import maximum_filter1d

_LARGEST_RISE_DB = 12.0
_QUIET_SHARE = 0.3  # what rises among the quietest ticks is noise
_BEFORE = 12  # ticks whose level an onset rises above
_BLUNT = (0.25, 0.5, 1.0, 0.5, 0.25)
_DISTANCES_S = (4.0, 9.0)  # at which the music is compared with itself
_DISTANCES, _LEAST_DISTANCES = 3, 2
_LIKE_ITSELF = 0.25  # least correlation at such a distance
_APART = 20  # ticks between two distances
_LOST_S = (0.0045, 0.055)
_WINDOW_HOPS, _BESIDE_HOPS, _HOP_S = 12, 8, 0.25
_NEAR_S = 1.5  # how far off the windows may be
_SHORTEST_S = 20.0

Floats = NDArray[np.float32]


@dataclass(frozen=True)
class Shift:
    """From `tick` on all comes `lost_ticks` earlier.

    `gain` is how much more alike the music and its repetition are for that, as a correlation: about 0
    where the beat goes on. `steady` is how alike they are before or after, whichever is more.
    """

    tick: int
    lost_ticks: int
    gain: float
    steady: float


def sharp_onsets(edges_db: Floats) -> Floats:
    """How much rises in each tick above the ticks before, shape (ticks,).

    Args:
        edges_db: hard edges in treble and middle, louder channel, shape (2, ticks).
    """
    if not edges_db.size:
        return np.zeros(0, np.float32)
    quiet_db = np.quantile(edges_db, _QUIET_SHARE, axis=1, keepdims=True).astype(np.float32)
    edges_db = np.maximum(edges_db, quiet_db)
    before_db = maximum_filter1d(edges_db, _BEFORE, axis=1, origin=_BEFORE // 2 - 1)
    rises = np.zeros(edges_db.shape[1], np.float32)
    rises[2:] = np.clip(edges_db[:, 2:] - before_db[:, :-2], 0, _LARGEST_RISE_DB).sum(axis=0)
    onsets: Floats = np.convolve(rises, np.array(_BLUNT, np.float32), "same")
    onsets -= onsets.mean()
    return onsets


def beat_shift(onsets: Floats, ticks_per_second: float) -> Shift | None:
    """Find where the beat comes too early from then on, once at most.

    Args:
        onsets: of `sharp_onsets`, of one piece of music; half a minute and more tell it well.
        ticks_per_second: of the onsets.

    Returns:
        The place with the largest gain, or None for music that does not repeat itself so exactly.
    """
    if onsets.size < _SHORTEST_S * ticks_per_second:
        return None
    distances = _distances(onsets, ticks_per_second)
    if len(distances) < _LEAST_DISTANCES:
        return None
    hop = round(_HOP_S * ticks_per_second)
    lost = np.arange(*(round(lost_s * ticks_per_second) for lost_s in _LOST_S))
    compared = [_Compared(onsets, distance, lost, hop) for distance in distances]
    gains = np.zeros((onsets.size // hop + 1, lost.size))
    count = np.zeros(len(gains))
    for one in compared:
        gained = one.gains()
        at = (np.arange(len(gained)) * hop + one.distance) // hop
        gains[at] += gained
        count[at] += 1
    known = count == len(compared)
    if not known.any():
        return None
    mean = np.where(known[:, np.newaxis], gains / len(compared), -1)
    place, which = (int(index) for index in np.unravel_index(mean.argmax(), mean.shape))
    steady = max(np.mean([one.steady(place) for one in compared], axis=0))
    reach = round(_NEAR_S * ticks_per_second)
    tick = _parting(onsets, distances, int(lost[which]), place * hop, reach)
    return Shift(tick, int(lost[which]), float(mean[place, which]), float(steady))


def _distances(onsets: Floats, ticks_per_second: float) -> list[int]:
    """The distances at which music is most like itself, in ticks; empty when it is not like itself."""
    first, last = (round(distance_s * ticks_per_second) for distance_s in _DISTANCES_S)
    size = next_fast_len(2 * onsets.size, real=True)
    power = np.abs(rfft(onsets, size)) ** 2
    alike = irfft(power, size)[: last + 1]
    alike *= onsets.size / (onsets.size - np.arange(alike.size)) / max(float(alike[0]), 1e-9)
    found: list[int] = []
    alike[:first] = 0
    while len(found) < _DISTANCES and alike.max() >= _LIKE_ITSELF:
        found.append(int(alike.argmax()))
        alike[max(0, found[-1] - _APART) : found[-1] + _APART + 1] = 0
    return found


class _Compared:
    """Music and its repetition at one distance, in windows that follow each other by one hop."""

    def __init__(self, onsets: Floats, distance: int, lost: NDArray[np.int64], hop: int) -> None:
        self.distance, self._hop = distance, hop
        self._windows = max(0, (onsets.size - distance - 1) // hop - _WINDOW_HOPS + 1)
        length = (self._windows + _WINDOW_HOPS - 1) * hop if self._windows else 0
        first = onsets[:length]

        def alike(ticks: int) -> NDArray[np.float64]:
            return self._sums(first * onsets[distance - ticks :][:length])

        power = self._sums(first**2) * self._sums(onsets[distance:][:length] ** 2)
        size = np.sqrt(np.maximum(power, 0))
        size = np.maximum(size, 1e-3 * size.max(initial=0.0) + 1e-9)
        self._usual = np.max([alike(ticks) for ticks in (-1, 0, 1)], axis=0) / size
        self._shifted = np.stack([alike(int(ticks)) for ticks in lost], axis=1)
        self._shifted /= size[:, np.newaxis]

    def _sums(self, products: Floats) -> NDArray[np.float64]:
        """Sums over every window, shape (windows,)."""
        hops = products.reshape(-1, self._hop).sum(axis=1, dtype=np.float64)
        sums = np.concatenate(((0.0,), np.cumsum(hops)))
        result: NDArray[np.float64] = sums[_WINDOW_HOPS:] - sums[:-_WINDOW_HOPS]
        return result[: self._windows]

    def gains(self) -> NDArray[np.float64]:
        """What each loss gains while the repetition lies across a place; shape (places, losses).

        The first place lies at `distance`.
        """
        across = self.distance // self._hop - _WINDOW_HOPS
        gain = np.cumsum(self._shifted - self._usual[:, np.newaxis], axis=0)
        gain = np.concatenate((np.zeros((1, gain.shape[1])), gain))
        result: NDArray[np.float64] = (gain[across:] - gain[:-across]) / across
        return result

    def steady(self, place: int) -> tuple[float, float]:
        """How alike the two are before and after a place, given in hops."""
        last = place - self.distance // self._hop - _WINDOW_HOPS
        before, after = (
            self._usual[max(0, start) : max(0, start + _BESIDE_HOPS)]
            for start in (last - _BESIDE_HOPS, place)
        )
        return _mean(before), _mean(after)


def _mean(values: NDArray[np.float64]) -> float:
    return float(values.mean()) if values.size else 0.0


def _parting(onsets: Floats, distances: list[int], lost: int, near: int, reach: int) -> int:
    """The middle of the ticks among which the repetition best changes from one distance to the other."""
    struck = onsets - onsets.min()
    ticks = np.arange(max(near - reach, *distances), min(near + reach, onsets.size))
    says = np.zeros(ticks.size)
    for distance in distances:
        length = onsets.size - distance
        repeated, moved = struck[distance:], struck[distance - lost : onsets.size - lost]
        sums = np.concatenate(
            ((0.0,), np.cumsum(struck[:length] * (moved - repeated), dtype=float))
        )
        says += sums[np.minimum(ticks, length)] - sums[ticks - distance]
    best = np.flatnonzero(says >= says.max() - 1e-6 * max(1.0, float(says.max())))
    return int(ticks[best[best.size // 2]])
