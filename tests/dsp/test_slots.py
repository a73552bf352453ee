import numpy as np

import spun
from sidekeep.dsp.bands import BandMeter
from sidekeep.dsp.slots import slots_of


def test_clicks_do_not_show_and_a_tenth_of_a_second_does() -> None:
    quiet = spun.noise(10.0)
    clicked = quiet.copy()
    clicked[:, 20_000::22_050] += 0.5
    hit = quiet.copy()
    hit[:, 200_000 : 200_000 + 4800] += spun.tune(1.0)[:, :4800]
    before, with_clicks, with_hit = (spun.slots(a).level_db[:, 9] for a in (quiet, clicked, hit))
    assert np.abs(with_clicks - before).max() < 6
    assert (with_hit - before).max() > 20


def test_a_short_sound_shows_wherever_it_falls() -> None:
    for offset in range(0, 5120, 700):
        audio = spun.noise(3.0)
        start = 60_000 + offset
        audio[:, start : start + 5200] += spun.tune(1.0)[:, :5200]
        assert spun.slots(audio).level_db[:, :12].max() > -40


def test_an_empty_table_has_no_slots() -> None:
    assert len(slots_of(BandMeter(44_100, 2).finish(), 44_100).level_db) == 0
