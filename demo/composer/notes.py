"""Single sounds: notes, drums, claps. Mono float64 arrays, peak near 1.0."""

from __future__ import annotations

import numpy as np
from scipy import signal

from composer.noise import Samples


def pitch_hz(midi: float) -> float:
    """Frequency of a MIDI note number (69 = 440 Hz)."""
    return float(440 * 2 ** ((midi - 69) / 12))


def envelope(frames: int, rate_hz: int, attack_s: float, release_s: float) -> Samples:
    """Raised-cosine attack and release around a steady middle."""
    shape = np.ones(frames)
    rise = min(frames // 2, max(1, round(attack_s * rate_hz)))
    fall = min(frames // 2, max(1, round(release_s * rate_hz)))
    shape[:rise] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / rise)
    shape[-fall:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(fall) / fall)
    return shape


def partials(
    frequency_hz: float,
    frames: int,
    rate_hz: int,
    rng: np.random.Generator,
    *,
    slope_db: float,
    top_hz: float = 7000.0,
    vibrato: float = 0.0,
    decay_s: float | None = None,
) -> Samples:
    """A harmonic tone.

    Args:
        frequency_hz: fundamental.
        frames: length.
        rate_hz: sample rate in Hz.
        rng: source of the partials' phases.
        slope_db: level change per octave of partial number.
        top_hz: no partials above.
        vibrato: depth as a fraction of the frequency, at about 5.5 Hz.
        decay_s: time constant for the fundamental (higher partials die faster); None sustains.
    """
    time_s = np.arange(frames) / rate_hz
    phase = 2 * np.pi * frequency_hz * time_s
    if vibrato:
        rate = rng.uniform(5.0, 6.2)
        phase += vibrato * frequency_hz / rate * (1 - np.cos(2 * np.pi * rate * time_s))
    turn = np.exp(1j * phase)
    if decay_s is not None:
        turn *= np.exp(-0.4 * time_s / decay_s)
    count = max(1, min(24, int(min(top_hz, 0.45 * rate_hz) / frequency_hz)))
    loudness = 10 ** (slope_db * np.log2(np.arange(1, count + 1)) / 20)
    weights = loudness * np.exp(1j * rng.uniform(0, 2 * np.pi, count))
    tone = np.zeros(frames, complex)
    for weight in weights[::-1]:  # Horner's rule: sum of weight k * turn ** k
        tone += weight
        tone *= turn
    out: Samples = tone.imag
    if decay_s is not None:
        out = out * np.exp(-0.6 * time_s / decay_s)
    return out / max(1e-9, float(np.abs(out).max()))


def bass(midi: int, frames: int, rate_hz: int, rng: np.random.Generator) -> Samples:
    """A plucked bass note."""
    tone = partials(pitch_hz(midi), frames, rate_hz, rng, slope_db=-9, top_hz=1500, decay_s=0.7)
    return tone * envelope(frames, rate_hz, 0.004, 0.03)


def lead(midi: int, frames: int, rate_hz: int, rng: np.random.Generator) -> Samples:
    """A voice-like sung note: vibrato and two formants."""
    tone = partials(pitch_hz(midi), frames, rate_hz, rng, slope_db=-4, vibrato=0.006)
    low_hz, high_hz = rng.uniform(450, 800), rng.uniform(1100, 2300)
    voiced = sum(
        (
            signal.sosfilt(
                signal.butter(1, (f * 0.85, f * 1.15), "bandpass", fs=rate_hz, output="sos"), tone
            )
            for f in (low_hz, high_hz)
        ),
        0.25 * tone,
    )
    shaped: Samples = voiced * envelope(frames, rate_hz, 0.04, 0.08)
    return shaped / max(1e-9, float(np.abs(shaped).max()))


def pad(
    midi: int, frames: int, rate_hz: int, rng: np.random.Generator, *, attack_s: float = 0.35
) -> Samples:
    """A soft sustained note."""
    detuned = pitch_hz(midi + rng.normal(0, 0.04))
    tone = partials(detuned, frames, rate_hz, rng, slope_db=-10, top_hz=3500, vibrato=0.002)
    return tone * envelope(frames, rate_hz, attack_s, 0.4)


def pluck(midi: int, frames: int, rate_hz: int, rng: np.random.Generator) -> Samples:
    """A struck or plucked string that dies away."""
    tone = partials(pitch_hz(midi), frames, rate_hz, rng, slope_db=-7, decay_s=0.9)
    return tone * envelope(frames, rate_hz, 0.002, 0.02)


def kick(rate_hz: int) -> Samples:
    """A bass drum: a sine that falls from 160 to 48 Hz."""
    time_s = np.arange(int(rate_hz * 0.32)) / rate_hz
    phase = 2 * np.pi * (48 * time_s + 112 * 0.03 * (1 - np.exp(-time_s / 0.03)))
    out: Samples = np.sin(phase) * np.exp(-time_s / 0.09)
    return _struck(out, rate_hz)


def snare(rate_hz: int, rng: np.random.Generator) -> Samples:
    """A snare drum: noise and a short tone."""
    time_s = np.arange(int(rate_hz * 0.22)) / rate_hz
    rattle = rng.standard_normal(time_s.size) * np.exp(-time_s / 0.05)
    out: Samples = 0.35 * rattle + 0.6 * np.sin(2 * np.pi * 190 * time_s) * np.exp(-time_s / 0.04)
    return _struck(out, rate_hz)


def hat(rate_hz: int, rng: np.random.Generator) -> Samples:
    """A closed cymbal: high noise."""
    time_s = np.arange(int(rate_hz * 0.08)) / rate_hz
    bright = np.diff(rng.standard_normal(time_s.size), prepend=0.0)
    out: Samples = 0.4 * bright * np.exp(-time_s / 0.018)
    return _struck(out, rate_hz)


def clap(rate_hz: int, rng: np.random.Generator) -> Samples:
    """Two hands: a short band of noise somewhere between 0.7 and 3 kHz."""
    time_s = np.arange(int(rate_hz * 0.025)) / rate_hz
    centre_hz = rng.uniform(700, 3000)
    out: Samples = np.exp(-time_s / 0.005) * np.sin(
        2 * np.pi * centre_hz * time_s + np.cumsum(rng.normal(0, 0.25, time_s.size))
    )
    return _struck(out, rate_hz)


def _struck(sound: Samples, rate_hz: int) -> Samples:
    """Begin over half a millisecond: nothing that is struck, or cut into a groove, starts at once."""
    rise = round(5e-4 * rate_hz)
    sound[:rise] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / rise)
    return sound
