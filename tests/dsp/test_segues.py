import numpy as np
import pytest

import spun
from sidekeep.dsp.groove import find_plays
from sidekeep.dsp.presence import find_presence
from sidekeep.dsp.segues import change_near


@pytest.mark.parametrize("error_s", [-0.5, 0.0, 0.5])
def test_a_change_of_music_is_found_near_where_it_is_expected(error_s: float) -> None:
    parts = [spun.tune(20.0), spun.tune(20.0, key=7, peak=0.2)]
    slots = spun.slots(spun.played(parts))
    (play,) = find_plays(slots)
    presence = find_presence(slots, play)
    expected = round((23.5 + error_s) / slots.seconds)
    found = change_near(slots, presence, expected, slots.count(1.2))
    assert found * slots.seconds == pytest.approx(23.5, abs=0.45)


def test_a_short_hole_wins() -> None:
    parts = [spun.tune(20.0), spun.silence(0.5), spun.tune(20.0)]
    slots = spun.slots(spun.played(parts))
    (play,) = find_plays(slots)
    presence = find_presence(slots, play)
    found = change_near(slots, presence, round(24.4 / slots.seconds), slots.count(1.2))
    assert 23.5 <= found * slots.seconds <= 24.1


def test_music_that_goes_on_is_cut_where_it_is_expected() -> None:
    audio = spun.played([np.tile(spun.tune(2.0), (1, 20))])
    slots = spun.slots(audio)
    (play,) = find_plays(slots)
    expected = round(20.0 / slots.seconds)
    presence = find_presence(slots, play)
    found = change_near(slots, presence, expected, slots.count(1.0))
    assert abs(found - expected) <= slots.count(1.0)
