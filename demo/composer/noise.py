"""What stylus and preamplifier give where no music is cut: hiss, groove noise, dust, hum, thumps.

All functions give float64 arrays with channels as rows, full scale = 1.0, and draw every random
number from the generator they are handed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import signal

STYLUS_S = 1e-4
"""What stylus and cartridge give takes so long to come or to go, at least (see `_rounded`)."""

Samples = NDArray[np.float64]


def amplitude(db: float) -> float:
    """Turn decibels into a linear amplitude factor."""
    return float(10 ** (db / 20))


def playback_curve(rate_hz: int) -> Samples:
    """One second-order section of the RIAA playback curve, 0 dB at 1 kHz.

    Time constants 3180, 318 and 75 us (IEC 60098:1987, clause on playback characteristics), by the
    bilinear transform: exact enough for the colour of noise, not for equalising records.
    """
    bass_s, middle_s, treble_s = 3180e-6, 318e-6, 75e-6
    zeros, poles, gain = signal.bilinear_zpk(
        [-1 / middle_s], [-1 / bass_s, -1 / treble_s], middle_s / (bass_s * treble_s), rate_hz
    )
    sections: Samples = signal.zpk2sos(zeros, poles, gain)
    _, response = signal.sosfreqz(sections, [1000.0], fs=rate_hz)
    sections[0, :3] /= abs(response[0])
    return sections


def to_level(samples: Samples, level_dbfs: float) -> Samples:
    """Scale so that the mean of the channels' mean squares is `level_dbfs` (0 = rms of 1.0)."""
    rms = float(np.sqrt(np.mean(np.square(samples))))
    return samples * (amplitude(level_dbfs) / max(rms, 1e-12))


def hiss(frames: int, level_dbfs: float, rng: np.random.Generator) -> Samples:
    """Converter and preamplifier noise: white, independent in both channels."""
    return rng.standard_normal((2, frames)) * amplitude(level_dbfs)


def groove_bed(
    rate_hz: int,
    frames: int,
    rng: np.random.Generator,
    *,
    level_dbfs: float,
    vertical_db: float = -3.0,
    turn_s: float = 1.8,
) -> Samples:
    """Groove noise: velocity noise seen through the playback curve, breathing once a revolution.

    Args:
        rate_hz: sample rate in Hz.
        frames: length.
        rng: source of randomness.
        level_dbfs: broadband level, mean of both channels.
        vertical_db: vertical (antiphase) against lateral (in-phase) noise; 0 makes the channels
            independent, -20 nearly mono.
        turn_s: one revolution, for the slow breathing of the level.
    """
    sections = np.vstack(
        (playback_curve(rate_hz), signal.butter(1, 18, "highpass", fs=rate_hz, output="sos"))
    )
    lateral, vertical = signal.sosfilt(sections, rng.standard_normal((2, frames)), axis=1)
    vertical *= amplitude(vertical_db)
    bed = np.stack((lateral + vertical, lateral - vertical))
    time_s = np.arange(frames) / rate_hz
    phase, drift_phase = rng.uniform(0, 2 * np.pi, 2)
    breathing_db = 0.6 * np.sin(2 * np.pi * time_s / turn_s + phase)
    breathing_db += 0.4 * np.sin(2 * np.pi * time_s / 23.7 + drift_phase)
    bed *= np.exp(breathing_db * (np.log(10) / 20))
    return to_level(bed, level_dbfs)


def rumble(
    rate_hz: int, frames: int, rng: np.random.Generator, *, level_dbfs: float, vertical: bool
) -> Samples:
    """Subsonic noise of bearing and pressing, 5 to 30 Hz; `vertical` puts it in antiphase."""
    sections = signal.butter(2, (5, 30), "bandpass", fs=rate_hz, output="sos")
    mono = signal.sosfilt(sections, rng.standard_normal(frames))
    return to_level(np.stack((mono, -mono if vertical else mono)), level_dbfs)


def hum(rate_hz: int, frames: int, *, mains_hz: float, level_dbfs: float) -> Samples:
    """Mains hum with harmonics 2, 3, 4 and 6; a little more of it in the right channel."""
    base = 2 * np.pi * mains_hz / rate_hz * np.arange(frames)
    partials = ((1, 0.0), (2, -8.0), (3, -5.0), (4, -18.0), (6, -22.0))
    mono = sum((amplitude(db) * np.sin(k * base + 0.4 * k) for k, db in partials), np.zeros(frames))
    return to_level(np.stack((mono * 0.85, mono)), level_dbfs)


def crackle(
    rate_hz: int,
    frames: int,
    rng: np.random.Generator,
    *,
    per_s: float,
    peak_dbfs: float = -34.0,
) -> Samples:
    """Dust: ticks at Poisson times, random size (6 dB spread), short resonant shapes, any side."""
    out = np.zeros((2, frames))
    count = int(rng.poisson(per_s * frames / rate_hz))
    shapes = [tick(rate_hz, rng) for _ in range(24)]
    sizes = amplitude(peak_dbfs) * 10 ** (rng.normal(0, 6, count) / 20)
    where = np.array([[1, 1], [1, -0.8], [1, 0.15], [0.15, 1]])
    sides = where[rng.choice(4, count, p=(0.4, 0.2, 0.2, 0.2))]
    starts = rng.integers(0, frames, count)
    for start, size, side, shape in zip(
        starts, np.minimum(sizes, 0.5), sides, rng.integers(0, 24, count), strict=True
    ):
        add(out, int(start), size * side[:, np.newaxis] * shapes[shape])
    return out


def add(target: Samples, start: int, event: Samples) -> None:
    """Add an event (rows broadcast) into the target at a frame; what falls outside is dropped."""
    first, last = max(start, 0), min(start + event.shape[-1], target.shape[1])
    if first < last:
        target[:, first:last] += event[..., first - start : last - start]


def tick(rate_hz: int, rng: np.random.Generator) -> Samples:
    """A speck of dust or the edge of a scratch: a short resonant shape of peak 1, shape (1, samples)."""
    time_s = np.arange(int(rate_hz * 0.004)) / rate_hz
    resonance_hz, decay_s = rng.uniform(1500, 9000), rng.uniform(0.00008, 0.0006)
    tail = 0.15 * np.exp(-time_s / 0.0015) * np.sin(2 * np.pi * 900 * time_s)
    ring = np.exp(-time_s / decay_s) * np.cos(2 * np.pi * resonance_hz * time_s)
    shape: Samples = _rounded(ring + tail, rate_hz) * float(rng.choice((-1.0, 1.0)))
    return shape[np.newaxis, :]


def _rounded(tick: Samples, rate_hz: int) -> Samples:
    """Let a tick of peak 1 come over a tenth of a millisecond, as the stylus and its cartridge do.

    In three recordings of real grooves the second difference of the sharpest click stands at most
    9 dB above its neighbours; without this it would by up to 34 dB.
    """
    rounded = np.convolve(tick, np.hanning(max(1, round(STYLUS_S * rate_hz)) + 2))
    same_peak: Samples = rounded * (np.abs(tick).max() / np.abs(rounded).max())
    return same_peak


def thump(rate_hz: int, rng: np.random.Generator, *, peak_dbfs: float) -> Samples:
    """A needle landing or leaving: a slow swing, a knock, and a burst of ticks; 0.5 s."""
    frames = int(rate_hz * 0.5)
    time_s = np.arange(frames) / rate_hz
    swing_hz, knock_hz = rng.uniform(9, 22), rng.uniform(70, 140)
    swing = np.exp(-time_s / 0.11) * np.sin(2 * np.pi * swing_hz * time_s)
    knock = 0.5 * np.exp(-time_s / 0.02) * np.sin(2 * np.pi * knock_hz * time_s)
    both = np.stack((swing + knock, rng.uniform(0.4, 1.0) * swing - knock))
    both += crackle(rate_hz, frames, rng, per_s=60, peak_dbfs=-16) * np.exp(-time_s / 0.12)
    out: Samples = both * (amplitude(peak_dbfs) / np.abs(both).max())
    return out


def arm_swing(rate_hz: int, rng: np.random.Generator, *, peak_dbfs: float) -> Samples:
    """What the arm does after a jump: it follows the stylus sideways, and swings at its resonance; 0.5 s.

    The grooves of a long-playing record lie about 0.1 mm apart, and arms swing at 8 to 12 Hz (common
    practice, no source). So much at 10 Hz is 6 mm/s; the playback curve with its 7950 us (IEC
    60098:1987) raises it by 13 dB against 1 kHz, to a quarter of a loud cut of 100 mm/s.
    """
    time_s = np.arange(round(0.5 * rate_hz)) / rate_hz
    swing = np.exp(-time_s / 0.12) * np.sin(2 * np.pi * rng.uniform(8, 12) * time_s)
    swing *= rng.choice((-1.0, 1.0)) * amplitude(peak_dbfs) / np.abs(swing).max()
    both: Samples = np.stack((swing, swing))
    return both


def run_out_tick(rate_hz: int, rng: np.random.Generator, *, peak_dbfs: float) -> Samples:
    """The stylus crossing into its own groove, once per revolution: a low knock with an edge."""
    time_s = np.arange(int(rate_hz * 0.06)) / rate_hz
    knock = np.exp(-time_s / 0.012) * np.sin(2 * np.pi * rng.uniform(150, 320) * time_s)
    edge = np.exp(-time_s / 0.0004) * np.cos(2 * np.pi * 3300 * time_s)
    mono = _rounded(knock + 0.6 * edge, rate_hz)
    out: Samples = np.stack((mono, 0.8 * mono)) * (amplitude(peak_dbfs) / np.abs(mono).max())
    return out
