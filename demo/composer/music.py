"""Music-like programme: bands, club loops, chamber groups, a soloist."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from composer import notes
from composer.noise import Samples, add

Instrument = Callable[[int, int, int, np.random.Generator], Samples]
Pan = tuple[float, float]

CENTRE: Pan = (0.7071, 0.7071)
SCALES = ((0, 2, 3, 5, 7, 9, 10), (0, 2, 4, 5, 7, 9, 11), (0, 2, 3, 5, 7, 8, 10))
ROOTS = (0, 3, 4, 5)


def pan(position: float) -> Pan:
    """Constant-power gains (left, right) for a position from -1 (left) to 1 (right)."""
    angle = (position + 1) * np.pi / 4
    return float(np.cos(angle)), float(np.sin(angle))


@dataclass
class _Player:
    """Plays notes of one instrument into a mix; keeps each distinct note for use again."""

    mix: Samples
    rate_hz: int
    rng: np.random.Generator
    instrument: Instrument
    kept: dict[tuple[int, int, int], Samples] = field(default_factory=dict)

    def play(self, start_s: float, length_s: float, midi: int, gain: float, where: Pan) -> None:
        """Add one note; one of two takes of it, a little uneven in level."""
        length = round(length_s * 10) / 10
        key = (midi, round(length * 10), int(self.rng.integers(2)))
        if key not in self.kept:
            frames = max(64, round(length * self.rate_hz))
            self.kept[key] = self.instrument(midi, frames, self.rate_hz, self.rng)
        uneven = gain * self.rng.uniform(0.75, 1.0)
        note = self.kept[key] * (uneven * np.asarray(where))[:, np.newaxis]
        add(self.mix, round(start_s * self.rate_hz), note)


@dataclass(frozen=True, slots=True)
class Band:
    """Bass, drums and a sung line in the centre, wide soft chords left and right.

    Four-bar sections differ in who plays; `tightness_s` is how far off the beat the players are.
    """

    tempo_bpm: float = 104.0
    key: int = 0
    scale: int = 0
    brightness: float = 0.35
    tightness_s: float = 0.008
    has_centre: bool = True

    def render(self, rate_hz: int, frames: int, rng: np.random.Generator) -> Samples:
        """Play until the frames are full."""
        mix = np.zeros((2, frames))
        beat_s = 60 / self.tempo_bpm
        low, voice, soft = (
            _Player(mix, rate_hz, rng, how) for how in (notes.bass, notes.lead, notes.pad)
        )
        drums = (notes.kick(rate_hz), notes.snare(rate_hz, rng), notes.hat(rate_hz, rng))
        steps = np.asarray(SCALES[self.scale % len(SCALES)])
        tune = 7
        for bar in range(int(frames / rate_hz / beat_s / 4) + 1):
            bar_s = bar * 4 * beat_s
            degree = ROOTS[int(rng.integers(4))] if bar % 2 == 0 else ROOTS[bar % 4]
            sung, full = (bar // 4) % 3 != 0, (bar // 4) % 4 != 3
            for third in (0, 2, 4):
                midi = 60 + self.key + _step(steps, degree + third)
                side = 0.9 if third != 2 else -0.9
                soft.play(bar_s, 4.2 * beat_s, midi, 0.13, pan(side))
                soft.play(bar_s + 0.01, 4.2 * beat_s, midi + 12 * (third == 4), 0.1, pan(-side))
            for beat in range(4):
                at_s = bar_s + beat * beat_s
                late_s = abs(rng.normal(0, self.tightness_s))
                low.play(
                    at_s + late_s, 0.9 * beat_s, 36 + self.key + _step(steps, degree), 0.5, CENTRE
                )
                if full:
                    add(mix, round((at_s + late_s) * rate_hz), _hit(drums[beat % 2], 0.45, CENTRE))
                    for half in (0.0, 0.5):
                        hat_s = at_s + half * beat_s + rng.normal(0, self.tightness_s)
                        loud = self.brightness * rng.uniform(0.3, 0.7)
                        add(mix, round(hat_s * rate_hz), _hit(drums[2], loud, pan(0.35)))
                if sung and rng.random() < 0.75:
                    tune = int(np.clip(tune + rng.integers(-2, 3), 3, 13))
                    length_s = beat_s * float(rng.choice((0.5, 1.0, 1.5)))
                    midi = 55 + self.key + _step(steps, tune)
                    voice.play(
                        at_s + rng.normal(0, 0.015) * (at_s > 1), length_s, midi, 0.42, CENTRE
                    )
        return mix


@dataclass(frozen=True, slots=True)
class Loop:
    """Club music: one bar of four beats repeated to the sample, the arrangement changing above it.

    At 133.333 BPM a bar lasts exactly one revolution at 33 1/3.
    """

    tempo_bpm: float = 400 / 3
    key: int = 0
    has_centre: bool = True

    def render(self, rate_hz: int, frames: int, rng: np.random.Generator) -> Samples:
        """Build four layers of one bar and bring them in and out every eight bars."""
        bar = round(4 * 60 / self.tempo_bpm * rate_hz)
        layers = np.zeros((4, 2, bar))
        kick, hat = notes.kick(rate_hz), notes.hat(rate_hz, rng)
        for step in range(16):
            at = round(step * bar / 16)
            if step % 4 == 0:
                _wrapped(layers[0], at, _hit(kick, 0.8, CENTRE))
            if step % 4 == 2:
                _wrapped(layers[1], at, _hit(hat, 0.35, pan(0.2)))
            if rng.random() < 0.5:
                tone = notes.bass(
                    36 + self.key + int(rng.choice((0, 3, 7))), bar // 14, rate_hz, rng
                )
                _wrapped(layers[2], at, _hit(tone, 0.45, CENTRE))
            if rng.random() < 0.35:
                midi = 60 + self.key + int(rng.choice((0, 3, 7, 10)))
                tone = notes.pluck(midi, bar // 6, rate_hz, rng)
                _wrapped(layers[3], at, _hit(tone, 0.3, pan(float(rng.uniform(-0.8, 0.8)))))
        mix = np.zeros((2, frames))
        present = np.array([True, True, False, False])
        before = layers[present].sum(axis=0)
        closing = np.linspace(1, 0, min(bar, round(0.005 * rate_hz)))  # no mixer cuts in one sample
        for first in range(0, frames, 8 * bar):
            phrase = layers[present].sum(axis=0)
            stretch = mix[:, first : first + 8 * bar]
            stretch += np.tile(phrase, 8)[:, : stretch.shape[1]]
            start = stretch[:, : closing.size]
            start += ((before - phrase)[:, : closing.size] * closing)[:, : start.shape[1]]
            before = phrase
            change = 1 + int(rng.integers(3))
            present[change] = ~present[change]
        return mix


@dataclass(frozen=True, slots=True)
class Chamber:
    """Sustained strings, each in its own place and none in the centre, swelling and sinking."""

    key: int = 0
    scale: int = 1
    places: tuple[float, ...] = (-0.8, -0.35, 0.4, 0.85)
    phrase_s: float = 5.0
    range_db: float = 18.0
    has_centre: bool = False

    def render(self, rate_hz: int, frames: int, rng: np.random.Generator) -> Samples:
        """Play phrases, each at its own loudness."""
        mix = np.zeros((2, frames))
        strings = _Player(mix, rate_hz, rng, notes.pad)
        steps = np.asarray(SCALES[self.scale % len(SCALES)])
        at_s = -0.1
        while at_s < frames / rate_hz:
            loud = 10 ** (-rng.uniform(0, self.range_db) / 20)
            for voice, place in enumerate(self.places):
                note_s = at_s
                while note_s < at_s + self.phrase_s - 0.4:
                    length_s = float(rng.choice((0.6, 1.2, 2.4)))
                    degree = int(rng.integers(0, 7)) + 7 * (3 - voice)
                    midi = 36 + self.key + _step(steps, degree)
                    strings.play(note_s, length_s + 0.3, midi, 0.4 * loud, pan(place))
                    note_s += length_s
            at_s += self.phrase_s
        return mix


@dataclass(frozen=True, slots=True)
class Solo:
    """One plucked instrument, standing off-centre, with air between its notes."""

    key: int = 0
    place: float = -0.35
    notes_per_s: float = 3.0
    has_centre: bool = False

    def render(self, rate_hz: int, frames: int, rng: np.random.Generator) -> Samples:
        """Wander over two octaves."""
        mix = np.zeros((2, frames))
        hand = _Player(mix, rate_hz, rng, notes.pluck)
        steps = np.asarray(SCALES[1])
        at_s, degree = 0.0, 7
        while at_s < frames / rate_hz:
            degree = int(np.clip(degree + rng.integers(-3, 4), 0, 16))
            length_s = float(rng.uniform(0.8, 1.8))
            hand.play(at_s, length_s, 48 + self.key + _step(steps, degree), 0.6, pan(self.place))
            at_s += float(rng.exponential(0.6) + 0.4) / self.notes_per_s
        return mix


@dataclass(frozen=True, slots=True)
class HardPanned:
    """Early stereo: the rhythm group all left, the singer all right."""

    tempo_bpm: float = 120.0
    key: int = 0
    has_centre: bool = False

    def render(self, rate_hz: int, frames: int, rng: np.random.Generator) -> Samples:
        """Two bands of one side each: the first without its singer, the second its mirror."""
        rhythm = Band(self.tempo_bpm, self.key, brightness=0.2).render(rate_hz, frames, rng)
        song = np.zeros((2, frames))
        voice = _Player(song, rate_hz, rng, notes.lead)
        steps, tune, beat_s = np.asarray(SCALES[1]), 7, 60 / self.tempo_bpm
        for beat in range(int(frames / rate_hz / beat_s)):
            if rng.random() < 0.7:
                tune = int(np.clip(tune + rng.integers(-2, 3), 2, 13))
                voice.play(
                    beat * beat_s, beat_s * 1.2, 55 + self.key + _step(steps, tune), 0.6, CENTRE
                )
        return np.stack((rhythm.sum(axis=0) + 0.03 * song[0], song.sum(axis=0) + 0.03 * rhythm[0]))


@dataclass(frozen=True, slots=True)
class Mono:
    """Any programme summed to mono before it is cut."""

    inner: Band | Chamber | Loop | Solo
    has_centre: bool = True

    def render(self, rate_hz: int, frames: int, rng: np.random.Generator) -> Samples:
        """Give the same in both channels."""
        mono = self.inner.render(rate_hz, frames, rng).mean(axis=0)
        return np.stack((mono, mono))


def _hit(sound: Samples, gain: float, where: Pan) -> Samples:
    return sound * (gain * np.asarray(where))[:, np.newaxis]


def _step(steps: np.ndarray, degree: int) -> int:
    octave, inside = divmod(degree, steps.size)
    return int(12 * octave + steps[inside])


def _wrapped(bar: Samples, start: int, sound: Samples) -> None:
    add(bar, start, sound)
    add(bar, start - bar.shape[1], sound)
