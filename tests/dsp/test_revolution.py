"""What returns once per revolution: a groove played twice is told from music that repeats itself."""

import numpy as np
import pytest
import scipy.signal

from sidekeep.dsp.clicks import periodic_chain
from sidekeep.dsp.revolution import extent, leftover, repetition

TURN = 1654


def test_a_repeated_stretch_of_noise_is_found_with_its_bounds() -> None:
    levels = np.random.default_rng(11).normal(-60, 3, (2, 8 * TURN)).astype(np.float32)
    start, end = 4 * TURN + 300, 6 * TURN + 300
    for tick in range(start, end):
        levels[:, tick] = levels[:, tick - TURN]
    seen = repetition(levels, turn_ticks=TURN * 1.01, tolerance=0.045, hop_ticks=TURN // 6)
    inside = (seen.start >= start) & (seen.start + seen.length <= end)
    assert (seen.lag[inside] == TURN).all()
    assert seen.likeness[inside].min() > 0.95
    outside = (seen.start + seen.length < start) | (seen.start > end)
    assert seen.likeness[outside].max() < 0.3
    found = extent(levels, start=start + 90, end=end - 90, lag=TURN, reach=TURN // 2)
    assert found == pytest.approx((start, end), abs=10)


def test_among_distances_that_are_about_as_like_the_bass_decides() -> None:
    rng = np.random.default_rng(14)
    levels = rng.normal(-60, 3, (2, 4 * TURN)).astype(np.float32)
    bass = rng.standard_normal(4 * TURN).astype(np.float32)
    for far, share in ((TURN, 0.7), (TURN - 20, 0.72)):
        levels[:, 2 * TURN :] += share * (levels[:, 2 * TURN - far : -far] + 60)
    bass[2 * TURN : 3 * TURN] = bass[TURN : 2 * TURN]
    alone, both = (
        repetition(levels, turn_ticks=TURN, tolerance=0.03, hop_ticks=TURN // 6, bass=known)
        for known in (None, bass)
    )
    inside = (alone.start >= 2 * TURN) & (alone.start + alone.length <= 3 * TURN)
    assert set(alone.lag[inside].tolist()) != {TURN}
    assert set(both.lag[inside].tolist()) == {TURN}
    assert (both.likeness <= alone.likeness).all()


@pytest.mark.parametrize("shift", [0.0, 0.37])
def test_music_that_repeats_leaves_its_noise_and_a_repeated_groove_does_not(shift: float) -> None:
    band = scipy.signal.butter(4, (25, 200), "bandpass", fs=918.75, output="sos")
    time = np.arange(6 * TURN)
    period = TURN + shift  # of the music, in ticks: three partials that all fit one revolution
    music = sum(np.sin(2 * np.pi * k * time / period + k) for k in (113, 170, 281))
    noise = scipy.signal.sosfilt(band, np.random.default_rng(12).standard_normal(time.size))
    noise *= 0.01 / noise.std()
    stuck = noise.copy()
    if shift == 0.0:
        stuck[3 * TURN : 5 * TURN] = np.tile(noise[2 * TURN : 3 * TURN], 2)
    starts, lag = np.array([3 * TURN + 400]), np.array([TURN])
    fresh = leftover((music + noise).astype(np.float32), starts, lag, TURN // 2)
    assert 10 * np.log10(fresh[0] / 1e-4) > -1.0
    if shift == 0.0:
        again = leftover((music + stuck).astype(np.float32), starts, lag, TURN // 2)
        assert again[0] < 1e-6


def test_ticks_once_per_revolution_are_told_from_chance() -> None:
    total = 60 * TURN
    chance = np.unique(np.random.default_rng(13).integers(0, total, 240))
    assert periodic_chain(chance, total_ticks=total, turn_ticks=TURN, tolerance=0.01) is None
    scratch = 5000 + np.rint(np.arange(12) * TURN * 1.004).astype(np.int64)
    ticks = np.union1d(chance, scratch)
    chain = periodic_chain(ticks, total_ticks=total, turn_ticks=TURN, tolerance=0.01)
    assert chain is not None
    assert abs(chain.ticks[0] - 5000) <= 2
    assert len(chain.ticks) >= 11
    assert chain.turn_ticks == pytest.approx(TURN * 1.004, abs=0.5)
