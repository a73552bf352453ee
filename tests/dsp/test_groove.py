import numpy as np
import pytest

import spun
from sidekeep.dsp.groove import find_plays, noise_runs


def test_drop_and_lift_are_found_by_the_step_of_the_noise() -> None:
    slots = spun.slots(spun.played([spun.tune(12.0)]))
    (play,) = find_plays(slots)
    assert play.dropped
    assert play.lifted
    assert play.start * slots.seconds == pytest.approx(1.5, abs=0.25)
    assert play.end * slots.seconds == pytest.approx(18.5, abs=0.25)
    starts_s = [run.start * slots.seconds for run in play.groove]
    assert min(starts_s) < 2.5
    assert max(starts_s) > 15


def test_a_recording_that_begins_and_ends_in_the_groove_is_one_play() -> None:
    slots = spun.slots(spun.played([spun.tune(12.0)])[:, 70_000:-70_000])
    (play,) = find_plays(slots)
    assert (play.start, play.end) == (0, len(slots.level_db))
    assert play.groove


def test_two_sides_in_one_recording_are_two_plays() -> None:
    one = spun.played([spun.tune(12.0)])
    two = spun.played([spun.tune(12.0, key=3)])
    turning = spun.noise(6.0, spun.UP, 9)
    plays = find_plays(spun.slots(np.concatenate((one, turning, two), axis=1)))
    assert len(plays) == 2


def test_music_alone_has_no_groove_noise() -> None:
    (play,) = find_plays(spun.slots(spun.tune(10.0)))
    assert play.groove == ()


def test_music_and_a_lone_drum_are_no_noise() -> None:
    drum = spun.noise(10.0)
    time_s = np.arange(drum.shape[1]) / spun.RATE_HZ
    beat_s = time_s % 0.5
    drum += (0.3 * np.sin(2 * np.pi * 60 * time_s) * np.exp(-beat_s / 0.06)).astype(np.float32)
    assert noise_runs(spun.slots(spun.tune(10.0))) == ()
    assert noise_runs(spun.slots(drum)) == ()
    (run,) = noise_runs(spun.slots(spun.noise(10.0)))
    assert run.slots > 80


def test_soft_music_over_the_noise_does_not_become_its_measure() -> None:
    soft = spun.noise(8.0, 1.5 * spun.GROOVE, 5)
    slots = spun.slots(spun.played([spun.tune(10.0), soft, spun.tune(10.0)], run_out_s=6.0))
    (play,) = find_plays(slots)
    assert all(not 14.5 < run.start * slots.seconds < 20.5 for run in play.groove)


def test_hum_that_leans_into_the_lowest_group_does_not_hide_the_lifted_stylus() -> None:
    audio = spun.played([spun.tune(12.0)], lead_in_s=3.0, up_s=4.0)
    time_s = np.arange(audio.shape[1]) / spun.RATE_HZ
    hum = 1e-3 * np.sin(2 * np.pi * 60 * time_s) + 3e-5 * np.sin(2 * np.pi * 360 * time_s)
    slots = spun.slots(audio + hum.astype(np.float32))
    (play,) = find_plays(slots)
    assert (play.dropped, play.lifted) == (True, True)
    assert play.start * slots.seconds == pytest.approx(4.0, abs=0.25)


def test_one_gap_is_groove_enough_when_both_ends_lie_far_below_it() -> None:
    parts = [spun.tune(15.0), spun.silence(3.0), spun.tune(15.0, key=4)]
    slots = spun.slots(spun.played(parts, lead_in_s=0.3, run_out_s=0.0, up_s=3.0))
    (play,) = find_plays(slots)
    assert (play.dropped, play.lifted) == (True, True)
    assert all(18.0 < run.start * slots.seconds < 21.5 for run in play.groove)
    assert play.groove
