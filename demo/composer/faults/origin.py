"""Faults of the recording's origin: too low, lossy, padded, or brought to a higher rate later."""

from __future__ import annotations

import io
from dataclasses import replace
from math import gcd

import numpy as np
import soundfile
from scipy import signal

from composer import noise
from composer.noise import Samples, amplitude
from composer.side import ComposedSide


def low_capture(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """Gain far too low: peak at -36 dBFS, -42 at twice the strength, in 16 bits."""
    del at_s
    rng = np.random.default_rng(seed)
    out = side.samples * (amplitude(-36 - 6 * (strength - 1)) / np.abs(side.samples).max())
    out += noise.hiss(out.shape[1], -88.0, rng)
    return _throughout(side, _rounded(out, 16), "low capture", strength)


def padded_words(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """16-bit content for a 24-bit file."""
    del at_s, seed
    return _throughout(side, _rounded(side.samples, 16), "source format", strength)


def low_passed(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """The spectral edge of a codec: nothing above 16 kHz, 15 at twice the strength."""
    del at_s, seed
    edge = signal.ellip(12, 0.1, 90, 17_000 - 1000 * strength, fs=side.rate_hz, output="sos")
    out: Samples = signal.sosfilt(edge, side.samples, axis=1)
    return _throughout(side, out, "source format", strength)


def coded(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """Once through MP3 (through Vorbis where the library has no MP3), harder with the strength."""
    del at_s, seed
    kind = "MP3" if "MP3" in soundfile.available_formats() else "OGG"
    packed = io.BytesIO()
    quality = min(1.0, 0.55 + 0.15 * strength)
    with soundfile.SoundFile(
        packed, "w", side.rate_hz, 2, format=kind, compression_level=quality
    ) as file:
        for start in range(0, side.samples.shape[1], 1 << 16):
            file.write(side.samples[:, start : start + (1 << 16)].T * 0.98)
    packed.seek(0)
    out = soundfile.read(packed, always_2d=True)[0].T[:, : side.samples.shape[1]]
    lacking = side.samples.shape[1] - out.shape[1]
    whole = np.pad(out, ((0, 0), (0, lacking))) / 0.98
    return _throughout(side, whole, "source format", strength)


def upsampled(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """Brought from its rate to 96 kHz after the fact: nothing above the old half rate."""
    del at_s, seed
    to_hz = 96_000
    shared = gcd(to_hz, side.rate_hz)
    out: Samples = signal.resample_poly(
        side.samples, to_hz // shared, side.rate_hz // shared, axis=1
    )
    truth = replace(side.truth, rate_hz=to_hz)
    return _throughout(ComposedSide(out, to_hz, truth), out, "source format", strength)


def _rounded(samples: Samples, bits: int) -> Samples:
    steps = float(2 ** (bits - 1))
    out: Samples = np.round(samples * steps) / steps
    return out


def _throughout(side: ComposedSide, samples: Samples, kind: str, strength: float) -> ComposedSide:
    truth = side.truth.with_fault(kind, 0.0, side.truth.duration_s, strength)
    return ComposedSide(samples, side.rate_hz, truth)
