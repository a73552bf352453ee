"""The common movement of pitch, told among many tones that come and go."""

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.pitch import RATIO_STEP, chance_swing_odds, ratio_odds, swing

CELL_S, TURN_S = 0.128, 1.8


def music(
    cells: int, bend: NDArray[np.float64], *, held: int = 4, other: int = 8
) -> NDArray[np.float32]:
    """Some tones held for about two seconds and read with an error, among many that are not."""
    rng = np.random.default_rng(17)
    notes = np.repeat(rng.uniform(200, 2500, (cells // 15 + 1, held)), 15, axis=0)[:cells]
    notes *= bend[:, np.newaxis] * (1 + 2e-4 * rng.standard_normal(notes.shape))
    return np.concatenate((notes, rng.uniform(200, 2500, (cells, other))), axis=1).astype(
        np.float32
    )


def swung(cells: int, deviation: float) -> NDArray[np.float64]:
    bend: NDArray[np.float64] = 1 + deviation * np.sin(
        2 * np.pi * np.arange(cells) * CELL_S / TURN_S
    )
    return bend


def test_a_swing_once_per_revolution_is_measured() -> None:
    tones = music(800, swung(800, 0.003))
    found = swing(tones, CELL_S, TURN_S)
    assert found.deviation == pytest.approx(0.003, abs=0.0005)
    assert found.odds > 5 * max(4.0, chance_swing_odds(tones, CELL_S, TURN_S))


def test_a_turntable_that_is_a_little_off_still_shows_its_swing() -> None:
    tones = music(4000, swung(4000, 0.003))
    found = swing(tones, CELL_S, TURN_S * 1.002)
    assert found.deviation == pytest.approx(0.003, abs=0.0005)
    assert found.odds > 100


def test_a_standing_pitch_and_one_voice_with_vibrato_swing_by_chance_only() -> None:
    still = music(800, np.ones(800))
    wavering = still.copy()
    wavering[:, 0] *= swung(800, 0.01)
    for tones in (still, wavering):
        assert swing(tones, CELL_S, TURN_S).odds < 10


def test_the_ratio_of_tones_that_move_together_is_the_likeliest() -> None:
    bend = np.ones(400)
    bend[200:] *= 1.005  # between two cells, so that one ratio alone tells it
    odds = ratio_odds(music(400, bend), 150, 250)
    assert odds.shape[0] == 100
    middle = odds.shape[1] // 2
    assert (odds[49].argmax() - middle) * RATIO_STEP == pytest.approx(np.log(1.005), abs=1e-3)
    assert np.all(odds[:, middle] == 0)


def test_next_to_nothing_gives_no_odds() -> None:
    empty = np.zeros((3, 12), np.float32)
    assert swing(empty, CELL_S, TURN_S).odds == 0
    assert not ratio_odds(empty, 0, 3).any()
