"""Where one piece of music gives way to another without a gap."""

from __future__ import annotations

import numpy as np

from sidekeep.dsp.presence import Presence, stretches
from sidekeep.dsp.slots import Slots


def change_near(slots: Slots, presence: Presence, expected: int, reach: int) -> int:
    """Find the slot near an expected one where the music changes.

    A short hole in the sound wins; else the place where the spectra of the two seconds before and
    after differ most, the nearer to the expected place the better.

    Args:
        slots: the recording's slots.
        presence: what stands above the groove noise.
        expected: where the written lengths say the change is.
        reach: how far to look to both sides.
    """
    first, last = max(1, expected - reach), min(len(slots.level_db) - 1, expected + reach)
    present = presence.present[first - presence.start : last - presence.start]
    holes = [(b - a, first + int(b)) for a, b in stretches(~present)]
    if holes and max(holes)[0] >= 2:
        return max(holes)[1] - 1
    side = slots.count(2.0)
    places = np.arange(first, last)
    novelty = np.array([_novelty(slots, int(at), side) for at in places])
    near = np.exp(-0.5 * ((places - expected) / max(1.0, 0.5 * reach)) ** 2)
    best = int((novelty * near).argmax())
    typical = np.median(
        [_novelty(slots, at, side) for at in range(first - 3 * reach, last + 3 * reach, 3)]
    )
    return int(places[best]) if novelty[best] > 1.5 * typical else expected


def _novelty(slots: Slots, at: int, side: int) -> float:
    before, after = slots.level_db[max(0, at - side) : max(1, at)], slots.level_db[at : at + side]
    if not len(before) or not len(after):
        return 0.0
    return float(np.sqrt(np.mean((before.mean(axis=0) - after.mean(axis=0)) ** 2)))
