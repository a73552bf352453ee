import numpy as np
import pytest

import spun
from sidekeep.dsp.follow import MOST_HIDDEN_S, Follower, hidden_s
from sidekeep.dsp.groove import find_plays
from sidekeep.dsp.islands import find_islands
from sidekeep.dsp.presence import Presence, find_presence
from sidekeep.dsp.slots import Slots

LEAD_S = 3.5


def heard(audio: spun.Audio) -> tuple[Slots, Presence]:
    slots = spun.slots(audio)
    (play,) = find_plays(slots)
    return slots, find_presence(slots, play)


def drums(length_s: float, peaks: np.ndarray) -> spun.Audio:
    """A bass drum twice a second, each stroke with its own peak."""
    time_s = np.arange(round(length_s * spun.RATE_HZ)) / spun.RATE_HZ
    stroke = np.sin(2 * np.pi * 55 * time_s) * np.exp(-(time_s % 0.5) / 0.06)
    sound = stroke * peaks[np.minimum((time_s / 0.5).astype(int), len(peaks) - 1)]
    return np.stack((sound, sound)).astype(np.float32)


def test_drums_are_followed_below_what_one_slot_tells() -> None:
    strokes = np.concatenate((np.full(24, 3e-2), np.full(8, 3.2e-3), np.zeros(8)))
    slots, presence = heard(spun.played([drums(20.0, strokes)], run_out_s=12.0))
    edge, limit = slots.count(LEAD_S + 12.0), slots.count(LEAD_S + 20.0)
    found_s = Follower(presence, slots).follow(edge, limit) * slots.seconds
    assert LEAD_S + 14.5 < found_s < LEAD_S + 16.8


@pytest.mark.parametrize("seed", range(4))
def test_nothing_is_followed_into_bare_groove_noise(seed: int) -> None:
    audio = spun.played([spun.tune(12.0, key=seed)], lead_in_s=9.0, run_out_s=12.0)
    audio += spun.noise(audio.shape[1] / spun.RATE_HZ, 3e-4, 40 + seed)[:, : audio.shape[1]]
    slots, presence = heard(audio)
    follower = Follower(presence, slots)
    start, end = slots.count(10.5) - 1, slots.count(22.5) + 2
    assert follower.follow(end, slots.count(31.0)) - end <= 2
    assert start - follower.follow(start, slots.count(3.0)) <= 2


def test_without_groove_noise_an_edge_stays_where_it_is() -> None:
    slots = spun.slots(spun.tune(10.0))
    (play,) = find_plays(slots)
    assert Follower(find_presence(slots, play), slots).follow(40, 80) == 40


def test_a_slow_entry_was_there_before_it_stood_out_and_a_hard_one_was_not() -> None:
    hidden = []
    for part in (spun.tune(30.0), spun.faded(spun.tune(30.0), in_s=20.0)):
        slots = spun.slots(spun.played([part], lead_in_s=4.0))
        (play,) = find_plays(slots)
        presence = find_presence(slots, play)
        first = find_islands(presence, slots, play)[0].start
        hidden.append(hidden_s(presence, slots, first, backwards=False))
    assert hidden[0] == 0.0
    assert 0.1 < hidden[1] <= MOST_HIDDEN_S
