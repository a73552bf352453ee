"""Breaks in sustained sound: found where it jumps, not where it is clicked upon or joined by more."""

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.breaks import burg, examine

RATE_HZ = 8000
PLACE = 6000


def chord(
    length: int, tones_hz: tuple[float, ...], seed: int, start: int = 0
) -> NDArray[np.float32]:
    """Tones in two channels with a little noise; the same seed goes on wherever `start` lies."""
    time_s = (start + np.arange(length)) / RATE_HZ
    rng = np.random.default_rng(seed)
    out = np.zeros((2, length))
    for tone_hz in tones_hz:
        wave = np.sin(2 * np.pi * tone_hz * time_s + rng.uniform(0, 6))
        out += 0.1 * rng.uniform(0.5, 1, (2, 1)) * wave
    return (out + 1e-4 * rng.standard_normal((2, length))).astype(np.float32)


TONES_HZ = (110.0, 221.3, 331.1, 497.0, 665.2, 889.0, 1401.0, 2203.0, 3012.0)


def seen(signal: NDArray[np.float32], *, sudden: bool = False) -> NDArray[np.float32]:
    found: NDArray[np.float32] = examine(signal, RATE_HZ, np.array([PLACE]), np.array([sudden]))[0]
    return found


def score(signal: NDArray[np.float32]) -> float:
    return float(seen(signal)[0])


def test_a_jump_in_phase_breaks_and_a_click_does_not() -> None:
    steady = chord(2 * PLACE, TONES_HZ, 1)
    clicked = steady.copy()
    clicked[:, PLACE : PLACE + 4] += 0.5
    jumped = np.concatenate((steady[:, :PLACE], chord(PLACE, TONES_HZ, 1, PLACE + 4321)), axis=1)
    assert score(clicked) <= -5
    assert seen(clicked, sudden=True)[0] <= -15
    assert score(jumped) > 20


def test_a_note_that_joins_what_goes_on_is_no_break() -> None:
    joined = chord(2 * PLACE, TONES_HZ[:6], 1)
    joined[:, PLACE:] += 2 * chord(PLACE, (1777.0, 2500.0, 3300.0), 2)
    assert score(joined) < 0


def test_a_chord_after_one_that_has_died_away_is_no_break() -> None:
    dying = chord(PLACE, TONES_HZ, 1) * np.exp(-np.arange(PLACE) / 1000).astype(np.float32)
    music = np.concatenate((dying, chord(PLACE, TONES_HZ[2:], 5, 3210)), axis=1)
    assert score(music) <= 0


def test_music_that_begins_is_no_break_however_suddenly() -> None:
    music = chord(2 * PLACE, TONES_HZ, 1)
    music[:, :PLACE] *= 0.01
    assert seen(music, sudden=True)[0] <= -15


@pytest.mark.parametrize("lost_ms", [8, 23])
def test_lost_samples_are_measured(lost_ms: int) -> None:
    whole = chord(3 * PLACE, TONES_HZ, 1)
    later = PLACE + lost_ms * RATE_HZ // 1000
    cut = np.concatenate((whole[:, :PLACE], whole[:, later : later + PLACE]), axis=1)
    odds, lost_s, likeness = seen(cut)
    assert odds > 20
    assert lost_s == pytest.approx(lost_ms / 1000, abs=0.0005)
    assert likeness > 0.9


def test_a_tone_that_goes_on_by_chance_does_not_hide_what_goes_on_later() -> None:
    """Ten milliseconds are whole periods of 100 Hz and its multiples."""
    tones_hz = (100.0, 200.0, 300.0, 400.0, 500.0, 700.0, 829.0)
    whole = chord(3 * PLACE, tones_hz, 1)
    later = PLACE + RATE_HZ // 100
    cut = np.concatenate((whole[:, :PLACE], whole[:, later : later + PLACE]), axis=1)
    popped = whole[:, : 2 * PLACE].copy()
    popped[:, PLACE] += 0.2
    assert seen(cut)[0] < -5
    assert seen(cut, sudden=True)[0] >= 3
    assert seen(popped, sudden=True)[0] <= -15


def test_burg_finds_the_filter_that_made_a_resonance() -> None:
    made = np.array([1.0, -1.8 * np.cos(0.3), 0.81])
    noise = np.random.default_rng(4).standard_normal(4000)
    sound = np.zeros(4000)
    for step in range(2, 4000):
        sound[step] = noise[step] - made[1] * sound[step - 1] - made[2] * sound[step - 2]
    assert burg(sound[np.newaxis].astype(np.float32), 2)[0] == pytest.approx(made, abs=0.03)
