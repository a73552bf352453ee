"""Good transfers of programme that looks like a fault to a careless detector."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import signal

from composer import (
    Band,
    Chamber,
    HardPanned,
    Loop,
    Mono,
    Programme,
    SideSpec,
    Solo,
    Track,
    compose,
)
from composer.noise import Samples
from composer.side import ComposedSide, Groove

Change = Callable[[Samples, int, np.random.Generator], Samples]


@dataclass(frozen=True, slots=True)
class Changed:
    """A programme whose mix was changed before it was cut."""

    inner: Programme
    change: Change
    has_centre: bool = True

    def render(self, rate_hz: int, frames: int, rng: np.random.Generator) -> Samples:
        """Render and change."""
        return self.change(self.inner.render(rate_hz, frames, rng), rate_hz, rng)


def _limited(sound: Samples, rate_hz: int, rng: np.random.Generator) -> Samples:
    """A loud modern master: driven hard into a limiter, clipped in the mix."""
    del rate_hz, rng
    driven: Samples = np.clip(4 * sound / np.abs(sound).max(), -1, 1)
    return driven


def _square(sound: Samples, rate_hz: int, rng: np.random.Generator) -> Samples:
    """A square-wave melody over the band."""
    del rng
    time_s = np.arange(sound.shape[1]) / rate_hz
    steps = np.array([220.0, 261.6, 329.6, 196.0])[(time_s * 2).astype(int) % 4]
    wave = np.sign(np.sin(2 * np.pi * np.cumsum(steps) / rate_hz))
    out: Samples = 0.3 * sound / np.abs(sound).max() + 0.6 * wave
    return out


def _wide(sound: Samples, rate_hz: int, rng: np.random.Generator) -> Samples:
    """Wide stereo: the treble of one channel comes in antiphase."""
    del rng
    low = signal.butter(2, 300, "lowpass", fs=rate_hz, output="sos")
    bass = signal.sosfilt(low, sound, axis=1)
    out: Samples = bass + (sound - bass) * [[1.0], [-1.0]]
    return out


def _dull(sound: Samples, rate_hz: int, rng: np.random.Generator) -> Samples:
    """An old recording: nothing above 6 kHz."""
    del rng
    low = signal.butter(4, 6000, "lowpass", fs=rate_hz, output="sos")
    out: Samples = signal.sosfilt(low, sound, axis=1)
    return out


def _bright_end(sound: Samples, rate_hz: int, rng: np.random.Generator) -> Samples:
    """Cymbals that come in for the last third."""
    high = signal.butter(2, 5000, "highpass", fs=rate_hz, output="sos")
    hiss = signal.sosfilt(high, rng.standard_normal(sound.shape), axis=1)
    beat = (
        np.maximum(0, signal.sawtooth(2 * np.pi * 4 * np.arange(sound.shape[1]) / rate_hz, 0)) ** 3
    )
    swell = np.clip(np.linspace(-2, 1, sound.shape[1]), 0, 1)
    out: Samples = sound + 0.12 * np.abs(sound).max() * hiss * beat * swell
    return out


def _edited(sound: Samples, rate_hz: int, rng: np.random.Generator) -> Samples:
    """Hard edits in the music itself: pieces moved about, no cross-fades, a few stutters."""
    pieces = np.array_split(sound, sound.shape[1] // (3 * rate_hz) + 1, axis=1)
    order = rng.permutation(len(pieces))
    stutter = rate_hz // 8
    shuffled = [
        np.concatenate((pieces[k][:, :stutter], pieces[k][:, :-stutter]), axis=1)
        if k % 5 == 0
        else pieces[k]
        for k in order
    ]
    return np.concatenate(shuffled, axis=1)


def _bass_at_mains(sound: Samples, rate_hz: int, rng: np.random.Generator) -> Samples:
    """A sustained bass note a little below 50 Hz, and its octave."""
    del rng
    time_s = np.arange(sound.shape[1]) / rate_hz
    note = np.sin(2 * np.pi * 49.0 * time_s) + 0.4 * np.sin(2 * np.pi * 98.0 * time_s)
    out: Samples = sound + 0.25 * np.abs(sound).max() * note * np.clip(time_s / 0.3, 0, 1)
    return out


def free_tempo(sound: Samples, rate_hz: int, rng: np.random.Generator) -> Samples:
    """Live playing: the tempo drifts by several per cent, the pitch does not.

    Made of grains of 0.4 s laid out a little closer or farther apart.
    """
    grain = round(0.4 * rate_hz)
    hop = grain // 2
    window = np.hanning(grain)
    out = np.zeros_like(sound)
    source = 0.0
    for start in range(0, sound.shape[1] - grain, hop):
        first = int(source) % (sound.shape[1] - grain)
        out[:, start : start + grain] += window * sound[:, first : first + grain]
        source += hop * (1 + 0.06 * np.sin(start / rate_hz / 3) + 0.02 * rng.standard_normal())
    return out


def _percussion(sound: Samples, rate_hz: int, rng: np.random.Generator) -> Samples:
    """Claves and rim shots: clicks that belong to the music."""
    out = 0.3 * sound
    time_s = np.arange(round(0.02 * rate_hz)) / rate_hz
    for start_s in np.arange(0.0, sound.shape[1] / rate_hz - 0.1, 0.26):
        click = np.exp(-time_s / 0.003) * np.sin(2 * np.pi * rng.uniform(2200, 2700) * time_s)
        start = round((start_s + rng.normal(0, 0.004)) * rate_hz)
        where = np.array([[0.6], [0.8]]) * rng.uniform(0.4, 1.0) * np.abs(sound).max()
        if start >= 0:
            out[:, start : start + time_s.size] += where * click
    return out


TRAPS: dict[str, Programme] = {
    "loud master": Changed(Band(128, key=2), _limited),
    "square wave": Changed(Band(112), _square),
    "hard panned": HardPanned(key=3),
    "mono": Mono(Band(100, key=1)),
    "wide stereo": Changed(Band(96, key=5), _wide),
    "bar of one revolution": Loop(400 / 3, key=4),
    "edits": Changed(Band(120, key=-2), _edited),
    "vibrato": Chamber(key=2, places=(-0.3, 0.0, 0.3)),
    "free tempo": Changed(Solo(key=4), free_tempo),
    "bass at 49 Hz": Changed(Band(90, key=3), _bass_at_mains),
    "kick drums": Loop(126, key=1),
    "percussion": Changed(Band(115, key=6), _percussion),
    "bright at the end": Changed(Band(108, key=2), _bright_end),
    "dull recording": Changed(Band(84, key=-4), _dull),
}


def trap_sides() -> dict[str, SideSpec]:
    """One side per trap, two tracks of it, on a quiet pressing."""
    return {
        name: SideSpec(
            (
                Track(name, programme, 50.0, gap_s=2.5, fade_out_s=0.5),
                Track(f"{name} again", programme, 45.0, fade_out_s=4.0),
            ),
            seed=100 + index,
            groove=Groove(level_dbfs=-62, crackle_per_s=1.5),
            imbalance_db=0.4,
        )
        for index, (name, programme) in enumerate(TRAPS.items())
    }


def gated(spec: SideSpec) -> ComposedSide:
    """A recorder with a noise gate: digital silence in the gaps and around the programme."""
    side = compose(spec)
    rate_hz, truth = side.rate_hz, side.truth
    closed = np.ones(side.samples.shape[1])
    edges_s = [
        (0.0, truth.programme_start_s - 0.3),
        *((start_s + 0.3, end_s - 0.1) for start_s, end_s in truth.gaps),
        (truth.programme_end_s + 0.5, truth.duration_s),
    ]
    for start_s, end_s in edges_s:
        closed[round(start_s * rate_hz) : round(end_s * rate_hz)] = 0.0
    return side.with_samples(side.samples * closed)
