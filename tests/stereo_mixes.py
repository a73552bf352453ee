"""Mixes of known image for the tests of balance: notes and hits put at places in the stereo field."""

from functools import cache

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.image import ImageMeter, ImageTable
from sidekeep.dsp.spectra import Framer

RATE_HZ = 44_100
SECONDS = 30

Signal = NDArray[np.float32]


def placed(mono: NDArray[np.float64], left_over_right_db: float) -> NDArray[np.float64]:
    """Put a source at a level ratio, at constant power."""
    ratio = float(10 ** (left_over_right_db / 20))
    gains = np.array([[ratio], [1.0]]) / float(np.hypot(1, ratio))
    return gains * mono


@cache
def notes(
    seed: int, low_hz: float, high_hz: float, seconds: float = SECONDS
) -> NDArray[np.float64]:
    """Half-second notes of a decaying buzz, each at its own pitch."""
    rng = np.random.default_rng(seed)
    length = RATE_HZ // 2
    decay = np.exp(-6 * np.arange(length) / RATE_HZ)
    out = []
    for _ in range(int(2 * seconds)):
        pitch_hz = rng.uniform(low_hz, high_hz)
        partials = np.arange(1, int(9000 / pitch_hz) + 1)
        spectrum = np.zeros(length // 2 + 1, np.complex128)
        places = np.rint(partials * pitch_hz * length / RATE_HZ).astype(int)
        spectrum[places] = np.exp(2j * np.pi * rng.random(len(partials))) / partials
        out.append(np.fft.irfft(spectrum, length) * length * decay * rng.uniform(0.5, 1))
    return np.concatenate(out)


@cache
def _band() -> NDArray[np.float64]:
    return (
        placed(notes(1, 55, 110), 0.0)
        + placed(notes(2, 200, 500), 0.0)
        + 0.8 * placed(notes(3, 150, 600), 12.0)
        + 0.6 * placed(notes(4, 150, 600), -9.0)
    )


def band_mix(imbalance_db: float = 0.0, noise_dbfs: float = -66.0) -> Signal:
    """Bass and voice in the centre, two instruments far left and right, noise of a level groove."""
    return transferred(_band(), imbalance_db, noise_dbfs)


def transferred(
    mix: NDArray[np.float64], imbalance_db: float = 0.0, noise_dbfs: float = -66.0
) -> Signal:
    """Three seconds of groove, the mix at -6 dBFS, three seconds of groove; then the imbalance."""
    lead = 3 * RATE_HZ
    out = np.random.default_rng(9).standard_normal((2, mix.shape[1] + 2 * lead))
    out *= 10 ** (noise_dbfs / 20)
    out[:, lead:-lead] += 0.5 * mix / np.abs(mix).max()
    sides = 10 ** (np.array([[imbalance_db], [-imbalance_db]]) / 40)
    return (out * sides).astype(np.float32)


def image_of(signal: Signal, block: int = RATE_HZ, rate_hz: int = RATE_HZ) -> ImageTable:
    """Measure in blocks of that many frames."""
    framer, meter = Framer(rate_hz), ImageMeter(rate_hz, len(signal))
    for start in range(0, signal.shape[1], block):
        meter.update(framer.update(signal[:, start : start + block]))
    return meter.finish()
