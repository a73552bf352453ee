"""EBU Tech 3341 v4, Table 1, true-peak cases 15 to 23; tolerance +0.2 / -0.4 dB for all.

The distributed files fade over 100 ms, and "0.50" and "1.41" are -6 and +3 dB in them.
"""

import numpy as np
import pytest
import scipy.signal
from numpy.typing import NDArray

from sidekeep.dsp.stretch import Stretch
from sidekeep.dsp.truepeak import max_true_peak
from standard_signals import peaks_of

RATE_HZ = 48_000


def reading_dbtp(signal: NDArray[np.float64]) -> float:
    both = np.stack((signal, signal)).astype(np.float32)
    peak = max_true_peak(peaks_of(both, RATE_HZ), Stretch(0, len(signal), (1.0, 1.0)))
    return float(20 * np.log10(peak))


def faded(signal: NDArray[np.float64], frames: int) -> NDArray[np.float64]:
    ramp = np.arange(len(signal)) / frames
    return signal * np.minimum(1, np.minimum(ramp, ramp[::-1]))


@pytest.mark.parametrize(
    ("case", "divisor", "amplitude_db", "phase_degrees", "expected_dbtp"),
    [
        (15, 4, -6.0, 0.0, -6.0),
        (16, 4, -6.0, 45.0, -6.0),
        (17, 6, -6.0, 60.0, -6.0),
        (18, 8, -6.0, 67.5, -6.0),
        (19, 4, 3.01, 45.0, 3.0),
    ],
)
def test_steady_tone(
    case: int, divisor: int, amplitude_db: float, phase_degrees: float, expected_dbtp: float
) -> None:
    angle = 2 * np.pi * np.arange(153_600) / divisor + np.radians(phase_degrees)
    tone = faded(10 ** (amplitude_db / 20) * np.sin(angle), 4800)
    assert -0.4 <= reading_dbtp(tone) - expected_dbtp <= 0.2


@pytest.mark.parametrize(("case", "offset"), [(20, 0), (21, 1), (22, 2), (23, 3)])
def test_one_loud_period_inside_a_tone(case: int, offset: int) -> None:
    """Made at four times the rate, low-passed, every fourth sample taken from an offset."""
    fine_hz = 4 * RATE_HZ
    tone = 10 ** (-6 / 20) * np.sin(2 * np.pi * np.arange(3 * fine_hz) / 24)
    at = 24 * (fine_hz // 24)
    period = np.sin(2 * np.pi * np.arange(16) / 16)
    signal = faded(np.concatenate((tone[:at], period, tone[at:])), fine_hz // 10)
    low_pass = scipy.signal.firwin(1023, 23_500, fs=fine_hz)
    coarse = scipy.signal.fftconvolve(signal, low_pass, "same")[offset::4]
    assert -0.4 <= reading_dbtp(coarse) - 0.0 <= 0.2
