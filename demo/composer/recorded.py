"""Real material in the place of generated: music files as programme, groove recordings as beds."""

from __future__ import annotations

from dataclasses import dataclass
from math import gcd
from pathlib import Path

import numpy as np
import soundfile
from scipy import signal

from composer.noise import Samples, to_level


@dataclass(frozen=True, slots=True)
class Recorded:
    """A stretch of a music file; repeated from its start if it is too short.

    `has_centre` is for whoever has listened to say.
    """

    path: Path
    start_s: float = 0.0
    has_centre: bool = True

    def render(self, rate_hz: int, frames: int, rng: np.random.Generator) -> Samples:
        """Read, resample and lay out; mono becomes two equal channels."""
        del rng
        sound = read(self.path, rate_hz, start_s=self.start_s, length_s=frames / rate_hz)
        while sound.shape[1] < frames:
            sound = np.concatenate((sound, sound[:, : frames - sound.shape[1]]), axis=1)
        return sound[:, :frames]


def read(path: Path, rate_hz: int, *, start_s: float = 0.0, length_s: float = -1.0) -> Samples:
    """Read a file as stereo at a sample rate; shape (2, frames)."""
    with soundfile.SoundFile(path) as file:
        file.seek(min(round(start_s * file.samplerate), max(0, file.frames - 1)))
        wanted = -1 if length_s < 0 else round(length_s * file.samplerate) + 1
        sound = file.read(wanted, always_2d=True).T[:2]
        from_hz = int(file.samplerate)
    if sound.shape[0] == 1:
        sound = np.repeat(sound, 2, axis=0)
    if from_hz == rate_hz:
        return np.ascontiguousarray(sound, dtype=np.float64)
    shared = gcd(from_hz, rate_hz)
    out: Samples = signal.resample_poly(sound, rate_hz // shared, from_hz // shared, axis=1)
    return out


def recorded_bed(
    path: Path, rate_hz: int, frames: int, rng: np.random.Generator, *, level_dbfs: float
) -> Samples:
    """Groove noise from a short recording: pieces from random places, cross-faded."""
    source = read(path, rate_hz)
    cross = round(0.05 * rate_hz)
    rise = np.sin(np.pi / 2 * (np.arange(cross) + 0.5) / cross)
    out = np.zeros((2, frames + source.shape[1]))
    at = 0
    while at < frames:
        length = int(rng.uniform(0.4, 0.9) * source.shape[1])
        start = int(rng.integers(0, source.shape[1] - length))
        piece = source[:, start : start + length].copy()
        piece[:, :cross] *= rise
        piece[:, -cross:] *= rise[::-1]
        out[:, at : at + length] += piece
        at += length - cross
    return to_level(out[:, :frames], level_dbfs)
