import numpy as np
import pytest

from sidekeep.dsp.mono import MonoTable, MonoTreatment, mono_table, snr_gain_db

RATE_HZ = 8_000


def side(noise_right: float = 0.01) -> np.ndarray:
    """Ten seconds of groove noise, independent in both channels, with a mono tone in the middle."""
    frames = 10 * RATE_HZ
    noise = np.random.default_rng(2).standard_normal((2, frames)) * [[0.01], [noise_right]]
    tone = 0.3 * np.sin(2 * np.pi * 200 * np.arange(frames) / RATE_HZ)
    tone[: 2 * RATE_HZ] = tone[8 * RATE_HZ :] = 0
    return noise + tone


def through(treatment: MonoTreatment, signal: np.ndarray, block: int = 1000) -> np.ndarray:
    parts = [
        treatment.process(signal[:, at : at + block]) for at in range(0, signal.shape[1], block)
    ]
    return np.concatenate((*parts, treatment.flush()), axis=1)


def test_sum_is_the_mean_and_gains_three_decibels_on_independent_noise() -> None:
    """Closed form: half the power of noise that differs, all of what is equal."""
    treatment, signal = MonoTreatment("sum", RATE_HZ), side()
    np.testing.assert_allclose(through(treatment, signal)[0], signal.mean(axis=0))
    assert snr_gain_db(treatment.table()) == pytest.approx(10 * np.log10(2), abs=0.25)
    assert treatment.note == "both channels summed to mono"


def test_a_constant_in_the_recording_does_not_count_as_noise() -> None:
    treatment = MonoTreatment("sum", RATE_HZ)
    through(treatment, side() + 0.2)
    assert snr_gain_db(treatment.table()) == pytest.approx(10 * np.log10(2), abs=0.25)


def test_noise_that_is_equal_gains_nothing() -> None:
    signal = side()
    signal[1] = signal[0]
    treatment = MonoTreatment("sum", RATE_HZ)
    through(treatment, signal)
    assert snr_gain_db(treatment.table()) == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize(("take", "row", "gain_db"), [("left", 0, 7.0), ("right", 1, -3.0)])
def test_one_wall(take: str, row: int, gain_db: float) -> None:
    """Right is 9.5 dB noisier: the mean power of both is 5 times that of the left."""
    signal, treatment = side(noise_right=0.03), MonoTreatment(take, RATE_HZ)
    assert np.array_equal(through(treatment, signal)[0], signal[row])
    assert snr_gain_db(treatment.table()) == pytest.approx(gain_db, abs=0.6)


def test_blocks_of_any_length_give_the_same() -> None:
    found = []
    for block in (333, 80_000):
        treatment = MonoTreatment("sum", RATE_HZ)
        found.append((through(treatment, side(), block), snr_gain_db(treatment.table())))
    assert np.array_equal(found[0][0], found[1][0])
    assert found[0][1] == found[1][1]


@pytest.mark.parametrize(
    "signal", [np.zeros((2, 80_000)), np.ones((2, 80_000)), np.ones((2, 100)), np.ones((2, 0))]
)
def test_silence_and_scraps_have_no_figure(signal: np.ndarray) -> None:
    treatment = MonoTreatment("sum", RATE_HZ)
    assert through(treatment, signal).shape == (1, signal.shape[1])
    assert snr_gain_db(treatment.table()) is None


def test_antiphase_does_not_divide_by_zero() -> None:
    signal = side()
    signal[1] = -signal[0]
    treatment = MonoTreatment("sum", RATE_HZ)
    through(treatment, signal)
    assert snr_gain_db(treatment.table()) is None


def test_table_is_that_of_the_mono_treatment_or_empty() -> None:
    treatment = MonoTreatment("sum", RATE_HZ)
    through(treatment, side())
    table = mono_table([treatment])
    assert table.both.shape == table.one.shape == (100,)
    assert len(mono_table([]).both) == 0
    assert snr_gain_db(MonoTable()) is None
