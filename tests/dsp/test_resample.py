import numpy as np
import pytest
import soxr

from sidekeep.dsp.resample import Resampler, SpeedTreatment

RATES = [(96_000, 44_100), (44_100, 48_000), (192_000, 44_100), (45_000, 100_000 / 3)]


def resampled(signal: np.ndarray, rates: tuple[float, float], block: int) -> np.ndarray:
    resampler = Resampler(*rates, channels=len(signal))
    parts = [
        resampler.process(signal[:, at : at + block]) for at in range(0, signal.shape[1], block)
    ]
    return np.concatenate((*parts, resampler.flush()), axis=1)


@pytest.mark.parametrize("rates", RATES)
def test_blocks_equal_one_shot(rates: tuple[float, float]) -> None:
    signal = np.random.default_rng(1).standard_normal((2, 20_011))
    one_shot = soxr.resample(signal.T, *rates, quality="VHQ").T
    for block in (997, 4096, 20_011):
        found = resampled(signal, rates, block)
        assert found.shape[1] == round(20_011 * rates[1] / rates[0])
        assert np.array_equal(found[:, : one_shot.shape[1]], one_shot[:, : found.shape[1]])


@pytest.mark.parametrize("frames", [0, 1, 2, 3, 100, 9_999])
@pytest.mark.parametrize("rates", RATES)
def test_length_is_exact(rates: tuple[float, float], frames: int) -> None:
    found = resampled(np.ones((1, frames)), rates, 512)
    assert found.shape == (1, round(frames * rates[1] / rates[0]))


@pytest.mark.parametrize("rates", RATES)
def test_nothing_moves_in_time_and_tones_keep_their_height(rates: tuple[float, float]) -> None:
    """Closed form: a tone well inside the band is the same tone at the new rate."""
    seconds = np.arange(30_000) / rates[0]
    found = resampled(np.sin(2 * np.pi * 1000 * seconds)[np.newaxis], rates, 4096)[0]
    expected = np.sin(2 * np.pi * 1000 * np.arange(len(found)) / rates[1])
    inner = slice(1000, -1000)
    np.testing.assert_allclose(found[inner], expected[inner], atol=1e-6)


def test_speed_treatment_changes_pitch_and_length() -> None:
    rate_hz, factor = 44_100, (100 / 3) / 45
    tone = np.sin(2 * np.pi * 1350 * np.arange(rate_hz) / rate_hz)
    treatment = SpeedTreatment(factor, rate_hz, 1, "speed changed")
    out = np.concatenate((treatment.process(tone[np.newaxis]), treatment.flush()), axis=1)
    assert treatment.time_scale == factor
    assert out.shape[1] == round(rate_hz / factor)
    expected = np.sin(2 * np.pi * 1000 * np.arange(out.shape[1]) / rate_hz)
    np.testing.assert_allclose(out[0, 2000:-2000], expected[2000:-2000], atol=1e-6)
