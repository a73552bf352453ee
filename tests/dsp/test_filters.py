import numpy as np
import pytest
import scipy.signal

from sidekeep.dsp.filters import RUN, FilterTreatment, SectionFilter
from sidekeep.dsp.kweighting import k_weighting

RATE_HZ = 48_000


def noise(frames: int, offset: float = 0.0) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    return np.random.default_rng(3).standard_normal((2, frames)) * 0.1 + offset


@pytest.mark.parametrize(
    ("name", "sos"),
    [
        ("k-weighting", k_weighting(192_000)),
        ("first order at 1 Hz", scipy.signal.butter(1, 1, "highpass", fs=192_000, output="sos")),
        ("eighth order at 20 Hz", scipy.signal.butter(8, 20, "high", fs=192_000, output="sos")),
        ("zeros only", np.array([[0.5, 0.3, -0.1, 1.0, 0.0, 0.0]])),
    ],
)
def test_equals_sosfilt(name: str, sos: np.ndarray[tuple[int, int], np.dtype[np.float64]]) -> None:
    """Slow second implementation: scipy.signal.sosfilt, sample by sample."""
    signal = noise(20 * 64 * RUN, offset=0.5)
    wanted = scipy.signal.sosfilt(sos, signal)
    double = SectionFilter(sos, 2, 64 * RUN, np.float64)
    single = SectionFilter(sos, 2, 64 * RUN, np.float32)
    for start in range(0, signal.shape[1], 64 * RUN):
        part = signal[:, start : start + 64 * RUN]
        expected = wanted[:, start : start + 64 * RUN]
        np.testing.assert_allclose(double.process(part), expected, atol=1e-10)
        got = single.process(part.astype(np.float32))
        np.testing.assert_allclose(got, expected, atol=2e-6)


def test_treatment_gives_the_same_bits_for_any_blocks() -> None:
    sos = scipy.signal.butter(2, 30, "highpass", fs=RATE_HZ, output="sos")
    signal = noise(50_000)
    treated = []
    for block in (50_000, 16_384, 4_711):
        treatment = FilterTreatment(sos, 2, "test")
        parts = [
            treatment.process(signal[:, start : start + block])
            for start in range(0, signal.shape[1], block)
        ]
        treated.append(np.concatenate((*parts, treatment.flush()), axis=1))
    assert treated[0].shape == signal.shape
    assert np.array_equal(treated[0], treated[1])
    assert np.array_equal(treated[0], treated[2])
    np.testing.assert_allclose(treated[0], scipy.signal.sosfilt(sos, signal), atol=1e-12)


def test_settled_filter_does_not_swing_at_the_start() -> None:
    sos = scipy.signal.butter(1, 1, "highpass", fs=RATE_HZ, output="sos")
    constant = np.array([[0.25], [-0.5]]) * np.ones((1, 20_000))
    treatment = FilterTreatment(sos, 2, "test", settled=True)
    out = np.concatenate((treatment.process(constant), treatment.flush()), axis=1)
    assert np.abs(out).max() < 1e-12
    plain = FilterTreatment(sos, 2, "test")
    assert np.abs(plain.process(constant)).max() > 0.4


def test_empty_recording_gives_nothing() -> None:
    sos = scipy.signal.butter(1, 1, "highpass", fs=RATE_HZ, output="sos")
    treatment = FilterTreatment(sos, 2, "test", settled=True)
    assert treatment.process(np.zeros((2, 0))).shape == (2, 0)
    assert treatment.flush().shape == (2, 0)


def test_block_must_be_whole_runs() -> None:
    with pytest.raises(ValueError, match="whole runs"):
        SectionFilter(k_weighting(RATE_HZ), 2, RUN + 1, np.float32)


def test_sections_must_be_normalised() -> None:
    with pytest.raises(ValueError, match="normalised"):
        SectionFilter(np.array([[1.0, 0, 0, 2.0, 0, 0]]), 1, RUN, np.float64)
