"""Bends of everything, told from what music itself does with pitch; all signals of known truth."""

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.slips import bends, steps

CELL_S = 0.128
SURE = 12.0
SCALE_HZ = 196.0 * 2 ** (np.array([0, 2, 4, 5, 7, 9, 11, 12, 14, 16, 17, 19, 21, 23, 24, 31]) / 12)

Reals = NDArray[np.float64]


def music(cells: int, *, note_cells: int = 2, seed: int = 17) -> Reals:
    """Five voices, each note with its octave, among six partials that are anywhere."""
    rng = np.random.default_rng(seed)
    notes = rng.choice(SCALE_HZ, (cells // note_cells + 1, 5))
    notes = np.repeat(notes, note_cells, axis=0)[:cells]
    voices = np.concatenate((notes, 2 * notes), axis=1)
    voices *= 1 + 5e-4 * rng.standard_normal(voices.shape)
    return np.concatenate((voices, rng.uniform(200, 2500, (cells, 6))), axis=1)


def bent(tones: Reals, first: int, cells: int, depth: float) -> NDArray[np.float32]:
    bend = np.ones(len(tones))
    bend[first : first + cells] -= depth * np.hanning(cells)
    return (tones * bend[:, np.newaxis]).astype(np.float32)


@pytest.mark.parametrize("note_cells", [1, 2, 15])
@pytest.mark.parametrize("depth", [0.03, 0.06, -0.03])
def test_a_slip_is_found_whether_tones_are_held_or_not(note_cells: int, depth: float) -> None:
    found = bends(bent(music(800, note_cells=note_cells), 400, 20, depth), CELL_S)
    likeliest = int(found.odds.argmax())
    assert abs(likeliest - 400) <= 1
    assert found.change[likeliest] == pytest.approx(-depth, abs=0.006)
    assert found.over_else[likeliest] > 2 * SURE


def test_a_slip_is_found_wherever_a_long_side_is_parted() -> None:
    tones = music(2000)
    odds = []
    for first in range(1560, 1620, 12):
        found = bends(bent(tones, first, 20, 0.03), CELL_S)
        assert abs(int(found.odds.argmax()) - first) <= 1
        odds.append(found.over_else.max())
    assert min(odds) > 2 * SURE


def test_other_chords_for_as_long_as_a_slip_are_none() -> None:
    tones = music(800)
    tones[400:410] *= 2 ** (-1 / 12)
    tones[410:420] *= 2 ** (-2 / 12)
    assert bends(tones.astype(np.float32), CELL_S).over_else.max() < SURE


def test_voices_that_slide_or_waver_are_no_slip() -> None:
    sliding, wavering = music(800), music(800, note_cells=15)
    sliding[380:420, [0, 5]] = np.linspace(700, 500, 40)[:, np.newaxis] * [1, 2]  # a trombone
    phase = 2 * np.pi * np.random.default_rng(3).random(10)
    time_s = np.arange(800)[:, np.newaxis] * CELL_S
    wavering[:, :10] *= 1 + 0.006 * np.sin(2 * np.pi * 5.5 * time_s + phase)
    for tones in (sliding, wavering):
        assert bends(tones.astype(np.float32), CELL_S).over_else.max() < SURE
        assert steps(tones.astype(np.float32)) == ()


def test_clapping_between_music_is_neither() -> None:
    """Partials that lie anywhere fit in nowhere, however they are shifted."""
    tones = music(800)
    tones[350:450] = np.random.default_rng(8).uniform(200, 2700, (100, 16))
    assert bends(tones.astype(np.float32), CELL_S).over_else.max() < SURE
    assert steps(tones.astype(np.float32)) == ()


@pytest.mark.parametrize("change", [-0.02, -0.01, 0.01, 0.02])
def test_a_speed_that_changes_and_stays_is_found(change: float) -> None:
    tones = music(800)
    tones[430:] *= 1 + change
    (found,) = steps(tones.astype(np.float32))
    assert abs(found.cell - 430) <= 1
    assert found.change == pytest.approx(change, abs=0.001)


def test_a_new_key_is_no_change_of_speed() -> None:
    tones = music(800)
    tones[430:] *= 2 ** (1 / 12)
    assert steps(tones.astype(np.float32)) == ()


def test_next_to_nothing_slips_nowhere() -> None:
    empty = np.zeros((3, 12), np.float32)
    assert bends(empty, CELL_S).over_else.max() <= 0
    assert steps(empty) == ()
