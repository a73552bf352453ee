"""Speech-like and audience-like programme."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import signal

from composer import notes
from composer.noise import Samples, add, amplitude

VOWELS_HZ = ((730, 1090), (270, 2290), (530, 1840), (570, 840), (300, 870), (660, 1720))


@dataclass(frozen=True, slots=True)
class Speech:
    """One speaker: syllables of voiced vowels and hissed consonants, with breaths and pauses.

    `room_dbfs` is the room behind the voice, against a peak of 0 dBFS.
    """

    pitch_hz: float = 115.0
    place: float = 0.0
    room_dbfs: float = -62.0
    has_centre: bool = True

    def render(self, rate_hz: int, frames: int, rng: np.random.Generator) -> Samples:
        """Speak sentences of 5 to 14 syllables; pauses of 0.25 to 1.2 s between them."""
        mono = np.zeros((1, frames))
        syllables = [self._syllable(rate_hz, rng) for _ in range(48)]
        at_s = 0.0
        while at_s < frames / rate_hz:
            for _ in range(int(rng.integers(5, 15))):
                sound = syllables[int(rng.integers(len(syllables)))]
                add(mono, round(at_s * rate_hz), sound * rng.uniform(0.45, 1.0))
                at_s += sound.shape[1] / rate_hz * rng.uniform(0.75, 1.05)
            at_s += float(rng.uniform(0.25, 1.2))
        left, right = np.cos((self.place + 1) * np.pi / 4), np.sin((self.place + 1) * np.pi / 4)
        out: Samples = np.concatenate((left * mono, right * mono)) / max(1e-9, float(mono.max()))
        room = signal.butter(1, 700, "lowpass", fs=rate_hz, output="sos")
        air = signal.sosfilt(room, rng.standard_normal((2, frames)), axis=1)
        return out + air * (amplitude(self.room_dbfs) / float(air.std()))

    def _syllable(self, rate_hz: int, rng: np.random.Generator) -> Samples:
        frames = round(rng.uniform(0.11, 0.26) * rate_hz)
        time_s = np.arange(frames) / rate_hz
        glide = self.pitch_hz * rng.uniform(0.85, 1.2) * (1 - 0.25 * time_s / time_s[-1])
        phase = 2 * np.pi * np.cumsum(glide) / rate_hz
        first_hz, second_hz = VOWELS_HZ[int(rng.integers(len(VOWELS_HZ)))]
        voiced = np.zeros(frames)
        for k in range(1, 30):
            harmonic_hz = k * self.pitch_hz
            near = (1 / (1 + ((harmonic_hz - f) / 130) ** 2) for f in (first_hz, second_hz, 2600))
            voiced += (sum(near) + 0.03) / k**0.4 * np.sin(k * phase)
        voiced *= notes.envelope(frames, rate_hz, 0.03, 0.06)
        onset = round(rng.uniform(0.02, 0.07) * rate_hz)
        breath = np.diff(rng.standard_normal(onset + 1)) * np.hanning(onset)
        voiced[:onset] += breath * rng.uniform(0.0, 0.8)
        return voiced[np.newaxis, :]


@dataclass(frozen=True, slots=True)
class Applause:
    """A hall that claps: many hands, wide, swelling and thinning out."""

    claps_per_s: float = 220.0
    has_centre: bool = False

    def render(self, rate_hz: int, frames: int, rng: np.random.Generator) -> Samples:
        """Clap through the frames at an even rate; the fades of the track do the rest."""
        out = np.zeros((2, frames))
        hands = [notes.clap(rate_hz, rng) for _ in range(40)]
        count = int(self.claps_per_s * frames / rate_hz)
        for start, hand in zip(
            rng.integers(0, frames, count), rng.integers(0, len(hands), count), strict=True
        ):
            angle = rng.uniform(0, np.pi / 2)
            where = np.array([np.cos(angle), np.sin(angle)])[:, np.newaxis]
            add(out, int(start), hands[hand] * where * rng.uniform(0.1, 1.0))
        murmur = signal.butter(1, (150, 900), "bandpass", fs=rate_hz, output="sos")
        crowd: Samples = signal.sosfilt(murmur, rng.standard_normal((2, frames)), axis=1)
        return out + 0.3 * crowd
