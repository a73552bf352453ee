"""Where something was cut to be heard: what stands above the recording's own groove noise.

Every band of the middle and the difference is compared with the groove noise of the nearest runs, in
units of that noise's own spread, over 0.1 s, 0.3 s, 1 s and 2 s (medians, so that an edge stays
where it is). One band far above it, or many a little above it, is programme.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, percentile_filter

from sidekeep.dsp.gathering import let_go
from sidekeep.dsp.groove import Play
from sidekeep.dsp.slots import Slots

SCALES = (1, 3, 9, 19)
"""Slots over which a level is taken."""

LEAST_EXCESS_DB = (5.0, 3.0, 1.5, 1.2)
"""Smallest excess over the groove noise that counts at each scale."""

RANK = 26
"""Percentile over a window's slots that stands for it."""

WEAK = 0.7
"""Share of the limits that a weak sound reaches."""

LEAST_SPREAD_DB = 0.35
"""Groove noise is never taken to be steadier than this over any time."""

EDGE = 5.0
"""Deviation, over the bands that matter, that is taken as fully programme at an edge."""

_AT_ONCE = 4096

Floats = NDArray[np.float32]
Flags = NDArray[np.bool_]

TOP = ((1, 6.0), (3, 4.6), (10, 3.2))
"""Mean of the so many largest deviations, in spreads of the noise, that counts as programme."""


@dataclass(frozen=True)
class Presence:
    """What stands above the groove noise, per slot from `start`.

    `present` says whether programme is there; `weak` also counts what stands out less, for the edges
    of what is found otherwise; `low` marks slots where only bands below 200 Hz stand out. `low_db`
    and `high_db` say how far the strongest band stands out below and above. `quiet` marks groove
    noise, and `deviation` (slots, features) says how far every level and tonality is from it, in its
    spreads; without groove noise it is empty.
    """

    start: int
    present: Flags
    weak: Flags
    low: Flags
    low_db: Floats
    high_db: Floats
    quiet: Flags
    deviation: NDArray[np.float16]

    @property
    def excess_db(self) -> Floats:
        """How far the strongest band of all stands out."""
        return np.maximum(self.low_db, self.high_db)


def find_presence(slots: Slots, play: Play) -> Presence:
    """Tell, slot by slot, whether anything stands above the groove noise.

    Args:
        slots: the recording's slots.
        play: the stretch with the stylus down; without groove noise everything counts as programme.
    """
    count = play.end - play.start
    if not play.groove:
        whole = np.ones(count, np.bool_)
        far = np.full(count, 99, np.float32)
        none = np.zeros((count, 0), np.float16)
        return Presence(play.start, whole, whole, ~whole, far, far, ~whole, none)
    rest = _rest(slots, play)
    quiet = np.zeros(count, np.bool_)
    for run in play.groove:
        quiet[run.start - play.start : run.end - play.start] = True
    rows = range(0, slots.level_db.shape[1], slots.bands)
    low_bands = np.concatenate([np.arange(row, row + 4) for row in rows])
    low, high, weak = np.zeros((3, count), np.bool_)
    low_db, high_db = np.zeros((2, count), np.float32)
    noises = _noises(rest, quiet)
    single = np.empty((count, rest.shape[1]), np.float16)
    for part in _parts(count):
        single[part] = noises[1].deviation(rest[part]).clip(-100, 100)
    for scale, part in itertools.product(SCALES[:2], _parts(count)):
        smooth = _smoothed_part(rest, scale, part)
        deviation = noises[scale].deviation(smooth)
        low[part] |= _stands_out(deviation)
        weak[part] |= _stands_out(deviation, WEAK)
        above = (smooth - noises[scale].middle)[:, : slots.level_db.shape[1]]
        above -= 5 if scale == 1 else 0
        low_db[part] = np.maximum(low_db[part], above[:, low_bands].max(axis=1))
        above[:, low_bands] = deviation[:, low_bands] = 0
        high[part] |= _stands_out(deviation)
        high_db[part] = np.maximum(high_db[part], above.max(axis=1))
    strong = binary_dilation(low, np.ones(3, np.bool_))
    faint = _faint(rest, strong, noises)
    present = low | faint
    return Presence(
        play.start, present, present | weak, low & ~high & ~faint, low_db, high_db, quiet, single
    )


@dataclass(frozen=True)
class _Noise:
    """What groove noise does over so many slots: its middle and spread per feature."""

    middle: Floats
    spread: Floats

    def deviation(self, smooth: Floats) -> Floats:
        """How far from the noise, in its spreads."""
        deviation: Floats = (smooth - self.middle) / self.spread
        return deviation


def _noises(rest: Floats, quiet: Flags) -> dict[int, _Noise]:
    """The noise's middle and spread at every scale, from the slots of groove noise.

    A short reference says little about its own slow changes: a low rank of so many slots spreads by
    about 1.35 / sqrt(slots) of what one slot does.
    """
    noises: dict[int, _Noise] = {}
    single = np.zeros(rest.shape[1], np.float32)
    for scale, least in zip(SCALES, LEAST_EXCESS_DB, strict=True):
        parts = [
            _smoothed(rest[max(0, a - scale) : b + scale], scale)[min(a, scale) :][: b - a]
            for a, b in stretches(quiet)
        ]
        smooth = np.concatenate(parts)
        middle = np.median(smooth, axis=0)
        spread = 1.4826 * np.median(np.abs(smooth - middle), axis=0)
        single = spread if scale == 1 else single
        spread = np.maximum(spread, 1.35 * single / np.sqrt(scale))
        spread = np.maximum(spread, max(least / TOP[0][1], LEAST_SPREAD_DB))
        noises[scale] = _Noise(middle.astype(np.float32), spread.astype(np.float32))
    return noises


def _parts(count: int) -> Iterator[slice]:
    """Parts of a long side, so that memory stays the same."""
    for first in range(0, count, _AT_ONCE):
        yield slice(first, min(count, first + _AT_ONCE))


def _smoothed_part(rest: Floats, scale: int, part: slice) -> Floats:
    """`_smoothed` for some of the slots."""
    first = max(0, part.start - scale)
    return _smoothed(rest[first : part.stop + scale], scale)[part.start - first :][
        : part.stop - part.start
    ]


def _smoothed(rest: Floats, scale: int) -> Floats:
    """A low rank over a window of so many slots: high only where most of the window is."""
    if scale == 1:
        return rest
    smooth: Floats = percentile_filter(rest, RANK, (scale, 1), mode="nearest")
    return smooth


def _faint(rest: Floats, strong: Flags, noises: dict[int, _Noise]) -> Flags:
    """What stands out only over a second or two, outside the strong slots.

    Strong slots are put at the low rank of the noise first, so that a short gap between them is not
    outvoted; a window then reaches a quarter of its length beyond what it was found for.
    """
    faint = np.zeros(len(rest), np.bool_)
    rank = rest[0]
    if not strong.all():
        rank = np.array([np.percentile(column[~strong], RANK) for column in rest.T], np.float32)
    low = np.minimum(rank, noises[1].middle)
    for scale in SCALES[2:]:
        found = np.zeros(len(rest), np.bool_)
        for start, end in stretches(binary_dilation(~strong, np.ones(3, np.bool_))):
            a, b = max(0, start - scale), min(len(rest), end + scale)
            filled = np.where(strong[a:b, np.newaxis], low, rest[a:b])
            smooth = _smoothed(filled, scale)[start - a : end - a]
            found[start:end] = _stands_out(noises[scale].deviation(smooth))
        found = binary_dilation(found, np.ones(2 * (scale // 4) + 1, np.bool_)) & ~strong
        faint |= _edges_trimmed(found, rest, noises[1], scale // 4 + 3)
    return faint


def _edges_trimmed(found: Flags, rest: Floats, noise: _Noise, most: int) -> Flags:
    """Take off edge slots that look like groove noise in the bands that stand out further in.

    A low rank of a long window that holds mostly programme is the highest of the noise in it, so a
    long window starts a little early at a hard edge. The cut falls where the sum of (deviation -
    half of what is further in) is lowest.
    """
    found = found.copy()
    for start, end in stretches(found):
        for backwards in (False, True):
            inner = rest[start:end][::-1] if backwards else rest[start:end]
            inner = noise.deviation(inner[: 3 * most + 2])
            if len(inner) <= most:
                continue
            weight = np.clip(np.median(inner[most:], axis=0) - 1, 0, 20)
            if not weight.any():
                continue
            weight /= np.sqrt((weight**2).sum())
            along = inner @ weight
            half = min(float(np.median(along[most:])), EDGE) / 2
            surplus = np.concatenate(([0], np.cumsum(along[:most] - half)))
            taken = int(surplus.argmin())
            if backwards:
                found[end - taken : end] = False
            else:
                found[start : start + taken] = False
    return found


def stretches(flags: Flags) -> NDArray[np.intp]:
    """Starts and ends of the stretches where flags are set, shape (stretches, 2)."""
    return np.flatnonzero(np.diff(np.concatenate(([0], flags.view(np.int8), [0])))).reshape(-1, 2)


def _stands_out(deviation: Floats, share: float = 1.0) -> Flags:
    ordered = -np.partition(-deviation, [top - 1 for top, _ in TOP], axis=1)
    out = np.zeros(len(deviation), np.bool_)
    for top, limit in TOP:
        out |= ordered[:, :top].mean(axis=1) > limit * share
    return out


def _rest(slots: Slots, play: Play) -> Floats:
    """What is left of levels and tonality when the groove noise to expect is taken off, in dB.

    The nearer runs of groove noise weigh more, so that noise that changes along a side is followed.
    """
    starts = np.array([r.start for r in play.groove], np.float32)
    ends = np.array([r.end for r in play.groove], np.float32)
    levels = np.stack([r.level_db for r in play.groove])
    noise = np.concatenate([slots.tonality_db[r.start : r.end] for r in play.groove])
    width = slots.level_db.shape[1]
    rest = np.empty((play.end - play.start, width + noise.shape[1]), np.float32)
    for part in _parts(len(rest)):
        where = slice(play.start + part.start, play.start + part.stop)
        at = np.arange(where.start, where.stop, dtype=np.float32)[:, np.newaxis]
        away_s = np.maximum(np.maximum(starts - at, at - ends), 0) * np.float32(slots.seconds)
        weight = (ends - starts) / (away_s + 20) ** 1.5
        weight /= weight.sum(axis=1, keepdims=True)
        rest[part, :width] = slots.level_db[where] - weight @ levels
        rest[part, width:] = slots.tonality_db[where] - np.median(noise, axis=0)
        let_go(slots.level_db)
    return rest
