"""Small sides as a deck would give them: stylus noise, groove noise, tunes and silences, in seconds."""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace
from typing import cast

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.bands import BandMeter, BandTable
from sidekeep.dsp.likeness import Cells
from sidekeep.dsp.slots import Slots, slots_of
from sidekeep.dsp.spectra import Framer
from sidekeep.dsp.tones import ToneMeter
from sidekeep.measurements import Measurements
from sidekeep.model import Part, Plan, Recording, Sheet, SheetTrack, Side, Span

RATE_HZ = 44_100
Audio = NDArray[np.float32]

UP, GROOVE = 3e-5, 1e-3


def noise(length_s: float, rms: float = GROOVE, seed: int = 1) -> Audio:
    rng = np.random.default_rng(seed)
    return (rms * rng.standard_normal((2, round(length_s * RATE_HZ)))).astype(np.float32)


def tune(length_s: float, key: int = 0, peak: float = 0.3, width: float = 0.2) -> Audio:
    """Chords of four notes, a new one every half second, decaying a little; no two keys alike."""
    rng = np.random.default_rng(100 + key)
    time_s = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    beat = (time_s // 0.5).astype(int)
    out = np.zeros((2, time_s.size))
    base_hz = 150.0 * 2 ** (key / 5)
    for voice in range(4):
        steps = rng.integers(0, 14, beat[-1] + 1)[beat]
        pan = width * rng.uniform(-1, 1)
        note = np.sin(2 * np.pi * base_hz * (voice + 1) * 2 ** (steps / 12) * time_s)
        note *= np.exp(-2 * (time_s % 0.5)) / (1 + voice * (key % 3) / 2)
        out += np.stack((note * (1 - pan), note * (1 + pan)))
    sound: Audio = (out * (peak / np.abs(out).max())).astype(np.float32)
    return sound


def loop(length_s: float, key: int = 0) -> Audio:
    """The same two seconds of a tune over and over."""
    phrase = tune(2.0, key)
    times = -(-round(length_s * RATE_HZ) // phrase.shape[1])
    return np.tile(phrase, (1, times))[:, : round(length_s * RATE_HZ)]


def played(
    parts: Sequence[Audio], *, lead_in_s: float = 2.0, run_out_s: float = 3.0, up_s: float = 1.5
) -> Audio:
    """Parts in a groove, between two stretches with the stylus up."""
    sound = np.concatenate(parts, axis=1)
    lead, tail = (round(s * RATE_HZ) for s in (lead_in_s, run_out_s))
    sound = np.pad(sound, ((0, 0), (lead, tail)))
    sound += noise(sound.shape[1] / RATE_HZ)[:, : sound.shape[1]]
    return np.concatenate((noise(up_s, UP, 2), sound, noise(up_s, UP, 3)), axis=1)


def silence(length_s: float) -> Audio:
    return np.zeros((2, round(length_s * RATE_HZ)), np.float32)


def faded(part: Audio, out_s: float = 0.0, in_s: float = 0.0) -> Audio:
    """A part with fades, even in decibels over 60 dB."""
    part = part.copy()
    for length_s, ends in ((in_s, part), (out_s, part[:, ::-1])):
        frames = round(length_s * RATE_HZ)
        ends[:, :frames] *= 10 ** (-3 * (1 - np.arange(frames) / max(1, frames)))
    return part


def bands(audio: Audio, block: int = 1 << 16) -> BandTable:
    framer, meter = Framer(RATE_HZ), BandMeter(RATE_HZ, len(audio))
    for start in range(0, audio.shape[1], block):
        meter.update(framer.update(audio[:, start : start + block]))
    return meter.finish()


def tone_hz(audio: Audio, block: int = 1 << 16) -> NDArray[np.float32]:
    framer, meter = Framer(RATE_HZ), ToneMeter(RATE_HZ)
    for start in range(0, audio.shape[1], block):
        meter.update(framer.update(audio[:, start : start + block]))
    return meter.finish()


def cells(audio: Audio) -> Cells:
    table = bands(audio)
    return Cells(table.level[0], tone_hz(audio), table.cell_frames / RATE_HZ)


def slots(audio: Audio) -> Slots:
    return slots_of(bands(audio), RATE_HZ)


def seen(audio: Audio) -> Measurements:
    tables = SimpleNamespace(
        bands=bands(audio),
        events=SimpleNamespace(tone_hz=tone_hz(audio)),
        rate_hz=RATE_HZ,
        channels=len(audio),
        frames=audio.shape[1],
    )
    return cast("Measurements", tables)


def plan(audio: Audio, tracks: Sequence[SheetTrack] = (), label: str | None = "A") -> Plan:
    frames = audio.shape[1]
    recording = Recording(
        (Part("A.wav", frames, 0, "0" * 64),), "wav", "int", 24, RATE_HZ, 2, frames
    )
    whole = Span(0, frames)
    sheet = Sheet(sides={label or "A": tuple(tracks)} if tracks else {})
    side = Side(label, whole, whole, whole)
    return Plan("job", recording, "default", "", sheet, sides=(side,))
