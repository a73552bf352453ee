"""Playback curves of records as digital filters, for transfers made without equalisation.

The curves are products of first-order terms with time constants in microseconds:

    H(s) = (1 + s t2) / ((1 + s t1) (1 + s t3)), and for the IEC amendment s t0 / (1 + s t0) as well

`riaa`: t1, t2, t3 = 3180, 318, 75 us (IEC 60098); `iec`: the same with t0 = 7950 us, the amendment of
1976 for playback only; `coarse`: 3180, 450, 50 us (IEC 98, second edition; BS 1928:1955).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

TIME_CONSTANTS_US = {
    "riaa": (3180.0, 318.0, 75.0),
    "iec": (3180.0, 318.0, 75.0),
    "coarse": (3180.0, 450.0, 50.0),
}
AMENDMENT_US = 7950.0
_HEARD_HZ = 20_000.0
_CORRECTION_ORDER = 6


def curve(name: str, hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """The analogue curve itself at these frequencies, not normalised (RIAA is 1 at 0 Hz)."""
    t1, t2, t3 = (constant * 1e-6 for constant in TIME_CONSTANTS_US[name])
    s = 2j * np.pi * hz
    response = (1 + s * t2) / ((1 + s * t1) * (1 + s * t3))
    if name == "iec":
        response = response * (s * AMENDMENT_US * 1e-6) / (1 + s * AMENDMENT_US * 1e-6)
    return np.asarray(response, np.complex128)


def playback_sections(name: str, rate_hz: int) -> NDArray[np.float64]:
    """Second-order sections of a curve, 0 dB at 1 kHz, minimum phase, shape (sections, 6).

    Poles and zero are those of the curve, taken to e^(-1 / (t rate)). What that leaves near half the
    sample rate, a smooth function, is taken out by a short filter of zeros, fitted to the power
    response up to 20 kHz (0.46 of the rate if that is less) by linear least squares.

    Args:
        name: `riaa`, `iec` or `coarse`.
        rate_hz: sample rate in Hz.
    """
    t1, t2, t3 = (constant * 1e-6 for constant in TIME_CONSTANTS_US[name])
    pole1, zero, pole3 = (float(np.exp(-1 / (constant * rate_hz))) for constant in (t1, t2, t3))
    sections = [[1.0, -zero, 0.0, 1.0, -(pole1 + pole3), pole1 * pole3]]
    if name == "iec":
        pole0 = float(np.exp(-1e6 / (AMENDMENT_US * rate_hz)))
        sections.append([1.0, -1.0, 0.0, 1.0, -pole0, 0.0])
    hz = np.linspace(10.0, min(_HEARD_HZ, 0.46 * rate_hz), 1000)
    wanted = np.abs(curve(name, hz)) / np.abs(response(np.array(sections), hz, rate_hz))
    correction = _zeros_for(wanted / wanted[0], 2 * np.pi * hz / rate_hz)
    sections.extend([*zeros, 1.0, 0.0, 0.0] for zeros in correction)
    sos = np.array(sections)
    at_1k = np.abs(response(sos, np.array([1000.0]), rate_hz))[0]
    sos[0, :3] /= at_1k
    return sos


def response(
    sos: NDArray[np.float64], hz: NDArray[np.float64], rate_hz: int
) -> NDArray[np.complex128]:
    """Complex response of sections at these frequencies."""
    z = np.exp(-2j * np.pi * hz / rate_hz)[:, np.newaxis]
    powers = np.concatenate((np.ones_like(z), z, z * z), axis=1)
    return np.asarray(np.prod((powers @ sos[:, :3].T) / (powers @ sos[:, 3:].T), axis=1))


def _zeros_for(wanted: NDArray[np.float64], omega: NDArray[np.float64]) -> NDArray[np.float64]:
    """Minimum-phase zeros whose amplitude response comes nearest to `wanted` (relative error).

    The power response of a filter of zeros is linear in its autocorrelation r: r0 + 2 sum r_k cos(k w).
    Its roots come in pairs z, 1/z; those inside the unit circle are taken.

    Returns:
        coefficients in twos: rows of b0, b1, b2, shape (order / 2, 3).
    """
    import scipy.signal  # noqa: PLC0415  (slow to load, and most rule sets do not ask for it)

    power = wanted**2
    basis = np.cos(np.outer(omega, np.arange(_CORRECTION_ORDER + 1)))
    basis[:, 1:] *= 2
    fitted = np.linalg.lstsq(basis / power[:, np.newaxis], np.ones_like(power))[0]
    roots = np.roots(np.concatenate((fitted[:0:-1], fitted)))
    inside = roots[np.abs(roots) < 1]
    return np.asarray(scipy.signal.zpk2sos(inside, np.zeros(len(inside)), 1.0)[:, :3])
