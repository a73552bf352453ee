"""What a programme is, and the ways to mark it: fades, silences and soft passages inside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from composer.noise import Samples, amplitude


class Programme(Protocol):
    """Something that can be cut into a groove.

    `has_centre` says whether it holds sounds panned to the centre over a wide enough range of
    frequencies to tell how the channels of a transfer stand.
    """

    @property
    def has_centre(self) -> bool:
        """Whether the mix has a centre."""
        ...

    def render(self, rate_hz: int, frames: int, rng: np.random.Generator) -> Samples:
        """Give `frames` of stereo, shape (2, frames), sounding from the first frame on."""
        ...


@dataclass(frozen=True, slots=True)
class Silence:
    """A stretch inside a track where nothing sounds."""

    at_s: float
    length_s: float


@dataclass(frozen=True, slots=True)
class Dip:
    """A stretch inside a track that is softer by `depth_db`, reached by ramps of two seconds."""

    at_s: float
    length_s: float
    depth_db: float


@dataclass(frozen=True, slots=True)
class Track:
    """One track to be cut.

    Fades are drawn as a fader is: level falls evenly in decibels and closes at the end. `gap_s` is
    groove noise between this track and the next, 0 a segue, negative an overlap. An interlude
    (applause, a spoken link) is part of the programme but no track: a cut may fall inside it.
    """

    title: str
    programme: Programme
    length_s: float
    gap_s: float = 2.5
    fade_in_s: float = 0.0
    fade_out_s: float = 0.0
    gain_db: float = 0.0
    silences: tuple[Silence, ...] = ()
    dips: tuple[Dip, ...] = ()
    interlude: bool = False

    def render(self, rate_hz: int, rng: np.random.Generator) -> Samples:
        """Give the track with its fades, peak at `gain_db` before the side's own level."""
        frames = round(self.length_s * rate_hz)
        sound = self.programme.render(rate_hz, frames, rng)
        sound *= amplitude(self.gain_db) / max(1e-9, float(np.abs(sound).max()))
        gain = np.ones(frames)
        fade_in = min(frames, max(round(self.fade_in_s * rate_hz), round(0.002 * rate_hz)))
        fade_out = min(frames, max(round(self.fade_out_s * rate_hz), round(0.008 * rate_hz)))
        gain[:fade_in] *= _fader(fade_in)
        gain[frames - fade_out :] *= _fader(fade_out)[::-1]
        for silence in self.silences:
            self._close(gain, rate_hz, silence)
        for dip in self.dips:
            _dip(gain, rate_hz, dip)
        return sound * gain

    @staticmethod
    def _close(gain: Samples, rate_hz: int, silence: Silence) -> None:
        start, end = (round(t * rate_hz) for t in (silence.at_s, silence.at_s + silence.length_s))
        ramp = round(0.03 * rate_hz)
        gain[start - ramp : start] *= np.linspace(1, 0, ramp)
        gain[start:end] = 0.0
        gain[end : end + ramp] *= np.linspace(0, 1, ramp)


def _fader(frames: int) -> Samples:
    rising = (np.arange(frames) + 0.5) / frames
    shape: Samples = rising * 10 ** (-(1 - rising) * 40 / 20)
    return shape


def _dip(gain: Samples, rate_hz: int, dip: Dip) -> None:
    ramp_s = 2.0
    points_s = (
        dip.at_s - ramp_s,
        dip.at_s,
        dip.at_s + dip.length_s,
        dip.at_s + dip.length_s + ramp_s,
    )
    first, last = max(0, round(points_s[0] * rate_hz)), round(points_s[3] * rate_hz)
    time_s = np.arange(first, min(last, gain.size)) / rate_hz
    level_db = np.interp(time_s, points_s, (0, -dip.depth_db, -dip.depth_db, 0))
    gain[first : first + time_s.size] *= 10 ** (level_db / 20)
