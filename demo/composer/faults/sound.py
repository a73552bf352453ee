"""Faults that leave the time line alone: overload, channels, hum, knocks, dirt, wear."""

from __future__ import annotations

import numpy as np
from scipy import signal

from composer import noise
from composer.noise import Samples, amplitude
from composer.side import ComposedSide


def converter_clipping(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """The interface was set too hot: the programme's peak lies 2 dB times the strength above."""
    del at_s, seed
    out = side.samples * (amplitude(2 * strength) / _programme_peak(side))
    touched = np.flatnonzero(np.abs(out).max(axis=0) >= 1.0)
    np.clip(out, -1.0, 1.0, out=out)
    return _with(side, out, "clipping", touched, strength)


def preamp_clipping(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """The preamplifier clips, 2 dB times the strength over; the interface sees it 6 dB down."""
    del at_s
    rng = np.random.default_rng(seed)
    out = side.samples * (amplitude(2 * strength) / _programme_peak(side))
    touched = np.flatnonzero(np.abs(out).max(axis=0) >= 1.0)
    np.clip(out, -1.0, 0.97, out=out)
    out *= amplitude(-6.0)
    out += noise.hiss(out.shape[1], -84.0, rng)
    return _with(side, out, "clipping", touched, strength)


def _programme_peak(side: ComposedSide) -> float:
    truth = side.truth
    first = round(truth.programme_start_s * side.rate_hz)
    last = round(truth.programme_end_s * side.rate_hz)
    return float(np.abs(side.samples[:, first:last]).max())


def dead_channel(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """The right channel carries only the electronics' noise."""
    del at_s
    out = side.samples.copy()
    out[1] = noise.hiss(out.shape[1], -84.0, np.random.default_rng(seed))[1]
    return _throughout(side, out, "dead channel", strength)


def weak_channel(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """A bad contact: the right channel is 9 dB times the strength down."""
    del at_s
    out = side.samples.copy()
    out[1] *= amplitude(-9 * strength)
    out[1] += noise.hiss(out.shape[1], -84.0, np.random.default_rng(seed))[1]
    return _throughout(side, out, "weak channel", strength)


def one_sided_noise(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """The left channel has groove noise of its own, 10 dB (16 at twice the strength) above."""
    del at_s
    rng, truth = np.random.default_rng(seed), side.truth
    level_dbfs = truth.groove_dbfs + 10 + 6 * (strength - 1)
    first, last = _needle_down(side)
    out = side.samples.copy()
    extra = noise.groove_bed(side.rate_hz, last - first, rng, level_dbfs=level_dbfs)
    out[0, first:last] += extra[0]
    return _throughout(side, out, "one-sided noise", strength)


def swapped_polarity(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """One channel's wires are crossed."""
    del at_s, seed
    return _throughout(side, side.samples * [[1.0], [-1.0]], "swapped polarity", strength)


def hum(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """A missing ground: hum 6 dB (12 at twice the strength) above the groove noise's level."""
    del at_s, seed
    level_dbfs = side.truth.groove_dbfs + 6 * strength
    tone = noise.hum(side.rate_hz, side.samples.shape[1], mains_hz=50.0, level_dbfs=level_dbfs)
    return _throughout(side, side.samples + tone, "hum", strength)


def rumble(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """A warped record or a bad bearing: 5 to 30 Hz at -38 dBFS, -32 at twice the strength."""
    del at_s
    rng = np.random.default_rng(seed)
    first, last = _needle_down(side)
    out = side.samples.copy()
    out[:, first:last] += noise.rumble(
        side.rate_hz, last - first, rng, level_dbfs=-38 + 6 * (strength - 1), vertical=True
    )
    return _throughout(side, out, "rumble", strength)


def thump(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """A step on the floor: a low knock with no ticks in it, peak -14 dBFS, -8 at twice."""
    del seed
    rate_hz, out = side.rate_hz, side.samples.copy()
    time_s = np.arange(round(0.6 * rate_hz)) / rate_hz
    swing = np.exp(-time_s / 0.15) * np.sin(2 * np.pi * 13 * time_s)
    knock = 0.5 * np.exp(-time_s / 0.04) * np.sin(2 * np.pi * 45 * time_s)
    event = np.stack((swing + knock, 0.8 * swing - 0.6 * knock)) * amplitude(
        -14 + 6 * (strength - 1)
    )
    start = round(at_s * rate_hz)
    noise.add(out, start, event)
    return _with(side, out, "thumps", np.array([start, start + time_s.size]), strength)


def clicks(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """A dirty or worn record: 30 ticks a second times the strength, around -24 dBFS."""
    del at_s
    rng = np.random.default_rng(seed)
    first, last = _needle_down(side)
    out = side.samples.copy()
    out[:, first:last] += noise.crackle(
        side.rate_hz, last - first, rng, per_s=30 * strength, peak_dbfs=-24.0
    )
    return _throughout(side, out, "clicks", strength)


def scratch(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """A radial scratch: a tick once a turn over 12 turns times the strength, peak -16 dBFS."""
    rng, turn_s, turns = np.random.default_rng(seed), 60 / side.truth.rpm, round(12 * strength)
    tick = amplitude(-16) * np.array([[1.0], [0.8]]) * noise.tick(side.rate_hz, rng)
    out = side.samples.copy()
    starts = [round((at_s + turn * turn_s) * side.rate_hz) for turn in range(turns)]
    for start in starts:
        noise.add(out, start, tick * rng.uniform(0.7, 1.0))
    return _with(side, out, "scratch", np.asarray(starts), strength)


def dirt(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """Groove noise at -42 dBFS, -36 at twice the strength: dirt, or a worn pressing."""
    del at_s
    rng = np.random.default_rng(seed)
    first, last = _needle_down(side)
    out = side.samples.copy()
    out[:, first:last] += noise.groove_bed(
        side.rate_hz, last - first, rng, level_dbfs=-42 + 6 * (strength - 1)
    )
    return _throughout(side, out, "groove noise", strength)


def inner_distortion(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """Treble mistraced over the last third; what is added grows to 20 % of it times the strength.

    Each wall of the groove is traced by itself. Products of even order push both walls outward, so
    that they come opposite in the channels; those of third order, which are smaller, follow the
    signal (W. D. Lewis and F. V. Hunt, J. Acoust. Soc. Am. 12, 1941, p. 348).
    """
    del at_s, seed
    truth, rate_hz = side.truth, side.rate_hz
    length_s = truth.programme_end_s - truth.programme_start_s
    start_s = truth.programme_end_s - length_s / 3
    first, last = round(start_s * rate_hz), round(truth.programme_end_s * rate_hz)
    treble = signal.butter(2, 1500, "highpass", fs=rate_hz, output="sos")
    high: Samples = signal.sosfilt(treble, side.samples[:, first:last], axis=1)
    loud = max(1e-9, float(np.percentile(np.abs(high[:, ::97]), 99)))
    shape = np.clip(high / loud, -1.5, 1.5)
    outward = np.array([[1.0], [-1.0]])
    bent = signal.sosfilt(treble, outward * shape**2 + 0.3 * shape**3, axis=1)
    bent *= np.sqrt(np.mean(high**2) / max(1e-18, float(np.mean(bent**2))))
    out = side.samples.copy()
    out[:, first:last] += np.linspace(0, 0.2 * strength, last - first) * bent
    return _with(side, out, "inner distortion", np.array([first, last]), strength)


def _needle_down(side: ComposedSide) -> tuple[int, int]:
    truth = side.truth
    return round(truth.needle_down_s * side.rate_hz), round(truth.needle_up_s * side.rate_hz)


def _throughout(side: ComposedSide, samples: Samples, kind: str, strength: float) -> ComposedSide:
    return _with(side, samples, kind, np.asarray(_needle_down(side)), strength)


def _with(
    side: ComposedSide, samples: Samples, kind: str, frames: np.ndarray, strength: float
) -> ComposedSide:
    start_s, end_s = float(frames[0]) / side.rate_hz, float(frames[-1]) / side.rate_hz
    truth = side.truth.with_fault(kind, start_s, end_s, strength)
    return ComposedSide(samples, side.rate_hz, truth)
