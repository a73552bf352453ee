"""Follows a sound that dies away, or grows, under the groove noise.

A slot alone tells little where the sound is no stronger than the noise. But what goes on sounds like
what it goes on from: in the bands that stood out there the evidence of slot after slot is summed up
(a cumulative sum test), so that drums far apart or a long fade are followed until they make no more
difference.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.presence import Flags, Presence
from sidekeep.dsp.slots import Slots

MODEL_S = 3.0
"""How much of the sound says which bands it stands out in."""

LEAST = 3.0
"""Deviation from groove noise from which on a band is one that the sound has."""

REACH_S, FARTHEST_S = 6.0, 30.0
"""The farthest that a sound is followed from one place where it stood out to the next, and in all."""

DRIFT = 0.7
"""What a slot must show beyond groove noise, in its spreads, to count for the sound."""

MOST = 4.0
"""A slot counts for no more than this, so that a pop alone does not carry on a sound."""

SURE = 14.0
"""The sum from which on the sound is taken to go on: three slots at the least, most often more."""

MOST_SECONDS = 300
"""So much groove noise is enough to know it by."""

FAINT, SLOW, MOST_HIDDEN_S = 12.0, 1.0, 1.5
"""What begins with less than the first, in spreads of the noise, and grows by more than the second
each second, grows from under the noise; for how long at most."""

Floats = NDArray[np.float32]


class Follower:
    """Follows the sounds of one play; knows what its groove noise shows by itself.

    Args:
        presence: what stands above the groove noise.
        slots: the recording's slots.
    """

    def __init__(self, presence: Presence, slots: Slots) -> None:
        self._presence, self._slots = presence, slots
        quiet = presence.deviation[presence.quiet]
        self._known = len(quiet) >= slots.count(1.0)
        if self._known:
            self._noise = _of_noise(quiet, slots.count(1.0))

    def follow(self, edge: int, limit: int) -> int:
        """Follow a sound outward from an edge of where it is present.

        Args:
            edge: slot where the sound begins (when `limit` is before it) or the slot after its end.
            limit: slot not to pass.

        Returns:
            The new edge, between `edge` and `limit`.
        """
        count, table = self._slots.count, self._presence.deviation
        at, to = edge - self._presence.start, limit - self._presence.start
        if limit < edge:
            inner, outer = table[at : at + count(MODEL_S)], table[to:at][::-1]
        else:
            inner, outer = table[max(0, at - count(MODEL_S)) : at], table[at:to]
        outer = outer[: count(FARTHEST_S)]
        if not self._known or not len(inner) or not len(outer):
            return edge
        sounding = np.percentile(inner.astype(np.float32), 90, axis=0) > LEAST
        chosen: Flags = np.concatenate((sounding, sounding[:-1] & sounding[1:]))
        middle, spread, drift = (part[chosen] for part in self._noise)
        shown = np.minimum((_with_pairs(outer)[:, chosen] - middle) / spread, MOST)
        sums = np.cumsum(shown - DRIFT - drift, axis=0)
        lengths = (_gain(band, count(REACH_S)) for band in sums.T if band.max() > SURE)
        length = max(lengths, default=0)
        return edge + (-length if limit < edge else length)


def _with_pairs(part: NDArray[np.float16]) -> Floats:
    """Features by themselves and neighbours together."""
    single = part.astype(np.float32)
    return np.concatenate((single, single[:, :-1] + single[:, 1:]), axis=1)


def _of_noise(quiet: NDArray[np.float16], second: int) -> tuple[Floats, Floats, Floats]:
    """Middle and spread of what noise shows, and how far it drifts from second to second."""
    seconds = quiet[: len(quiet) // second * second].reshape(-1, second, quiet.shape[1])
    some = seconds[:: -(-len(seconds) // MOST_SECONDS)]  # a long run-out tells no more
    shown = _with_pairs(some.reshape(-1, quiet.shape[1]))
    middle = np.median(shown, axis=0)
    spread = 1.4826 * np.median(np.abs(shown - middle), axis=0) + np.float32(1e-6)
    means = shown.reshape(len(some), second, -1).mean(axis=1)
    off = 1.4826 * np.median(np.abs(means - middle), axis=0) / spread
    return middle, spread, np.sqrt(np.maximum(off**2 - 1 / second, 0))


def _gain(sums: Floats, reach: int) -> int:
    """How many slots to go on: to the highest sum that is reached in steps of no more than `reach`."""
    best, length = 0.0, 0
    for place, total in enumerate(sums.tolist(), start=1):
        if total > best:
            best, length = total, place
        elif place - length > reach:
            break
    return length if best > SURE else 0


def hidden_s(presence: Presence, slots: Slots, edge: int, *, backwards: bool) -> float:
    """How long a sound that grows slowly from the noise was there before it stood out, in seconds.

    Args:
        presence: what stands above the groove noise.
        slots: the recording's slots.
        edge: slot where the sound begins, or the slot after its end.
        backwards: whether it is an end.
    """
    at = edge - presence.start
    table = presence.deviation
    inner = table[max(0, at - slots.count(2.0)) : at][::-1] if backwards else table[at:]
    first, later = inner[: slots.count(0.4)], inner[slots.count(1.0) : slots.count(2.0)]
    if not later.size:
        return 0.0
    shown, grown = float(first.max()), float(later.max())
    per_s = (grown - shown) / 1.5
    if shown > FAINT or per_s < SLOW:
        return 0.0
    return min(max(shown, 0.0) / per_s, MOST_HIDDEN_S)
