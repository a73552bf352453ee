"""What could not be foretold: tones vanish, noise and breaks stay."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import solve_toeplitz
from scipy.signal import lfilter

from sidekeep.dsp.whitening import whitened

RATE_HZ = 8000


def tones(length: int, start: int = 0) -> NDArray[np.float64]:
    time_s = (start + np.arange(length)) / RATE_HZ
    chord = sum(np.sin(2 * np.pi * hz * time_s) for hz in (110.0, 277.2, 659.3, 1318.5))
    return 0.1 * chord + 1e-4 * np.random.default_rng(1).standard_normal(length)


def test_a_filter_is_that_of_the_normal_equations() -> None:
    """Reference: scipy's solver of Toeplitz systems and its filter, for one frame of 400 samples."""
    noise = np.random.default_rng(2).standard_normal(8000)
    sound = lfilter([1.0], [1.0, -1.6, 0.9], noise)
    left = whitened(sound.astype(np.float32))
    around = sound[3800:4600] * np.hanning(800)
    lags = np.array([around[: 800 - lag] @ around[lag:] for lag in range(33)])
    lags[0] *= 1 + 1e-6
    learned = np.concatenate(([1.0], -solve_toeplitz(lags[:32], lags[1:])))
    expected = lfilter(learned, [1.0], sound)[4000:4400]
    assert left[4000:4400] == pytest.approx(expected, abs=1e-3 * sound.std())


def test_tones_vanish_and_noise_stays() -> None:
    inside = slice(500, -500)
    sound = tones(16_000)
    assert whitened(sound.astype(np.float32))[inside].std() < 0.02 * sound.std()
    noise = np.random.default_rng(3).standard_normal(16_000)
    assert whitened(noise.astype(np.float32))[inside].std() == pytest.approx(1.0, abs=0.08)


@pytest.mark.parametrize("missing", [80, 411])
def test_where_samples_are_missing_the_tones_cannot_be_foretold(missing: int) -> None:
    place = 9000
    cut = np.concatenate((tones(place), tones(place, place + missing)))
    left = np.abs(whitened(cut.astype(np.float32)))[500:-500]
    hardest = int(left.argmax()) + 500
    assert abs(hardest - place) <= 40
    assert left.max() > 20 * np.median(left)


@pytest.mark.parametrize("level", [0.0, 1e-7, 1.0])
def test_silence_steady_sound_and_short_ones_are_no_trouble(level: float) -> None:
    for size in (1, 399, 5000):
        left = whitened(np.full(size, level, np.float32))
        assert left.shape == (size,)
        assert np.isfinite(left).all()
        assert np.abs(left).max() <= 2 * level
