"""Signals of the standards, music-like programme and outside references for tests of `dsp`."""

from __future__ import annotations

from functools import cache

import numpy as np
import pyebur128
import scipy.fft
from numpy.typing import NDArray

from sidekeep.dsp.loudness import LoudnessMeter, LoudnessTable
from sidekeep.dsp.stretch import Stretch
from sidekeep.dsp.truepeak import TruePeakMeter, TruePeakTable

Signal = NDArray[np.float32]


def sine(*parts: tuple[float, float], rate_hz: int = 48_000, hz: float = 1000.0) -> Signal:
    """Give a stereo sine in phase, of (seconds, peak dBFS) one after the other, phase running on."""
    steps = [np.full(round(seconds * rate_hz), 10 ** (db / 20)) for seconds, db in parts]
    amplitude = np.concatenate(steps)
    tone = amplitude * np.sin(2 * np.pi * hz * np.arange(len(amplitude)) / rate_hz)
    return np.stack((tone, tone)).astype(np.float32)


@cache
def music_like(rate_hz: int, seconds: float, seed: int = 1) -> Signal:
    """Give twelve decaying tones, panned, from 50 Hz to 9 kHz, over quiet noise; peak 0.7."""
    chance = np.random.default_rng(seed)
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    music = 0.002 * chance.standard_normal((2, len(time_s)))
    for _ in range(12):
        hz, start_s = chance.uniform(50, 9000), chance.uniform(0, seconds - 0.5)
        decay_s, pan = chance.uniform(0.2, 3.0), chance.uniform(0, 1)
        since_s = np.maximum(time_s - start_s, 0)
        tone = np.sin(2 * np.pi * hz * since_s) * np.exp(-since_s / decay_s) / (1 + hz / 300)
        music += np.array([[pan], [1 - pan]]) * tone
    signal: Signal = (0.7 * music / np.abs(music).max()).astype(np.float32)
    signal.flags.writeable = False
    return signal


def loudness_of(signal: Signal, rate_hz: int = 48_000, block: int = 65_536) -> LoudnessTable:
    meter = LoudnessMeter(rate_hz, len(signal))
    for start in range(0, signal.shape[1], block):
        meter.update(signal[:, start : start + block])
    return meter.finish()


def peaks_of(signal: Signal, rate_hz: int, block: int = 65_536) -> TruePeakTable:
    meter = TruePeakMeter(rate_hz, len(signal))
    for start in range(0, signal.shape[1], block):
        meter.update(signal[:, start : start + block])
    return meter.finish()


def whole(signal: Signal, *gains: float) -> Stretch:
    return Stretch(0, signal.shape[1], gains or (1.0,) * len(signal))


def libebur128_lufs(signal: Signal, rate_hz: int) -> float:
    """Integrated loudness by libebur128."""
    state = pyebur128.R128State(len(signal), rate_hz, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(signal.T).ravel(), signal.shape[1])
    return float(pyebur128.get_loudness_global(state))


def fine_peaks(signal: NDArray[np.floating]) -> NDArray[np.float64]:
    """Highest of the 32 values from each frame to the next, by ideal low-pass, (channels, frames)."""
    margin, length = 256, 8192
    signal = np.atleast_2d(signal)
    padded = np.pad(signal.astype(np.float64), ((0, 0), (margin, margin + length)))
    pieces = []
    for start in range(0, signal.shape[1], length):
        spectrum = scipy.fft.rfft(padded[:, start : start + length + 2 * margin])
        fine = 32 * scipy.fft.irfft(spectrum, 32 * (length + 2 * margin))
        inside = np.abs(fine[:, 32 * margin : -32 * margin])
        pieces.append(inside.reshape(len(signal), length, 32).max(axis=2))
    return np.concatenate(pieces, axis=1)[:, : signal.shape[1]]


def peak_32x(signal: NDArray[np.floating]) -> float:
    """Highest value of 32-fold interpolation."""
    return float(fine_peaks(signal).max())
