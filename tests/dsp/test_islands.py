import numpy as np
import pytest

import spun
from sidekeep.dsp.groove import find_plays
from sidekeep.dsp.islands import Island, find_islands
from sidekeep.dsp.presence import find_presence


def islands(audio: spun.Audio) -> tuple[float, tuple[Island, ...]]:
    slots = spun.slots(audio)
    (play,) = find_plays(slots)
    return slots.seconds, find_islands(find_presence(slots, play), slots, play)


def test_a_hard_start_and_end_are_found_to_the_slot() -> None:
    seconds, (island,) = islands(spun.played([spun.tune(12.0)]))
    assert island.start * seconds == pytest.approx(3.5, abs=0.13)
    assert island.end * seconds == pytest.approx(15.5, abs=0.13)


def test_a_gap_of_nine_tenths_stays_open() -> None:
    audio = spun.played([spun.tune(12.0), spun.silence(0.9), spun.tune(12.0, key=2)])
    seconds, (first, second) = islands(audio)
    assert first.end * seconds == pytest.approx(15.5, abs=0.25)
    assert second.start * seconds == pytest.approx(16.4, abs=0.25)


def test_a_fade_is_followed_below_the_noise() -> None:
    # 60 dB in 20 s from -10 dBFS: the broad level of the noise (-57 dBFS) is passed 15.7 s after the
    # fade begins, that of the noise in the chord's own bands some dB later.
    seconds, found = islands(spun.played([spun.faded(spun.tune(30.0), out_s=20.0)]))
    assert found[-1].end * seconds > 3.5 + 10 + 15.7


def test_a_lone_drum_is_programme() -> None:
    time_s = np.arange(8 * spun.RATE_HZ) / spun.RATE_HZ
    kick = 0.3 * np.sin(2 * np.pi * 55 * time_s) * np.exp(-(time_s % 0.5) / 0.04)
    drum = np.stack((kick, kick)).astype(np.float32)
    seconds, found = islands(spun.played([drum, spun.tune(12.0)]))
    assert found[0].start * seconds == pytest.approx(3.5, abs=0.3)


def test_a_thump_and_ticks_in_the_groove_are_not() -> None:
    audio = spun.played([spun.tune(12.0)], lead_in_s=4.0, run_out_s=20.0)
    time_s = np.arange(spun.RATE_HZ // 2) / spun.RATE_HZ
    thump = (0.2 * np.sin(2 * np.pi * 30 * time_s) * np.exp(-time_s / 0.1)).astype(np.float32)
    audio[:, 3 * spun.RATE_HZ :][:, : thump.size] += thump
    for turn in range(10):
        at = round((20.0 + 1.8 * turn) * spun.RATE_HZ)
        tick = spun.noise(0.1, 0.05, turn)
        audio[:, at : at + tick.shape[1]] += tick
    seconds, (island,) = islands(audio)
    assert island.start * seconds == pytest.approx(5.5, abs=0.2)
    assert island.end * seconds == pytest.approx(17.5, abs=0.2)


def test_crackle_alone_is_not_programme() -> None:
    audio = spun.played([spun.tune(12.0)], lead_in_s=5.0, run_out_s=10.0)
    rng = np.random.default_rng(4)
    for at in rng.integers(70_000, audio.shape[1] - 70_000, 20 * 27):
        audio[:, at : at + 20] += 0.015 * rng.standard_normal(20).astype(np.float32)
    seconds, found = islands(audio)
    assert found[0].start * seconds == pytest.approx(6.5, abs=0.3)
    assert found[-1].end * seconds == pytest.approx(18.5, abs=0.5)


def test_without_groove_noise_everything_is_programme() -> None:
    seconds, (island,) = islands(spun.tune(10.0))
    assert island.start == 0
    assert island.end * seconds == pytest.approx(10.0, abs=0.2)
