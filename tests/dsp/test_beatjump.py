"""Jumps in the beat, on envelopes of known period; nothing here knows how they are weighed."""

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.beatjump import CELL_TICKS, beat_envelope, beat_jumps, beat_levels
from sidekeep.dsp.beatplace import AROUND_S, beat_parts

PER_SECOND = 50.0
TURN = 90.0  # 1.8 s
PLACE = 1000


def beat(cells: int, bar: int, seed: int = 1, spread: float = 0.3) -> NDArray[np.float32]:
    """A bar of strokes in three bands again and again, with noise beside it."""
    rng = np.random.default_rng(seed)
    strokes = rng.uniform(2, 10, (3, bar)) * (rng.random((3, bar)) < 0.15)
    again = np.tile(strokes, cells // bar + 1)[:, :cells]
    return (again + spread * rng.standard_normal((3, cells))).astype(np.float32)


def without(music: NDArray[np.float32], place: int, cells: int) -> NDArray[np.float32]:
    return np.concatenate((music[:, :place], music[:, place + cells :]), axis=1)


def odds(music: NDArray[np.float32], *places: int) -> NDArray[np.float64]:
    within = np.tile([0, music.shape[1]], (len(places), 1))
    return beat_jumps(music, np.array(places), within, (TURN,), PER_SECOND)


def test_a_beat_that_is_a_turn_ahead_jumped_and_one_that_goes_on_did_not() -> None:
    music = beat(2100, 100)
    assert odds(without(music, PLACE, 90), PLACE)[0] > 2
    assert odds(music, PLACE)[0] < -2


@pytest.mark.parametrize("cells", [17, 30, 55, 130])
def test_a_beat_that_jumps_by_less_or_more_than_a_turn_is_another_matter(cells: int) -> None:
    """A pause, an edit, a buffer that was lost."""
    assert odds(without(beat(2200, 100), PLACE, cells), PLACE)[0] < 0.5


@pytest.mark.parametrize("bar", [45, 90])
def test_a_turn_of_whole_bars_says_nothing(bar: int) -> None:
    music = beat(2100, bar)
    assert abs(odds(without(music, PLACE, 90), PLACE)[0]) < 0.5


def test_music_without_a_beat_says_nothing() -> None:
    music = np.abs(np.random.default_rng(4).standard_normal((3, 2100))).astype(np.float32)
    assert abs(odds(without(music, PLACE, 90), PLACE)[0]) < 0.5


def test_little_music_beside_a_place_says_nothing() -> None:
    music = without(beat(2100, 100), PLACE, 90)
    within = np.array([[PLACE - 150, 2000], [0, PLACE + 150], [PLACE - 300, PLACE + 300]])
    said = beat_jumps(music, np.full(3, PLACE), within, (TURN,), PER_SECOND)
    assert said[:2].tolist() == [0, 0]
    assert said[2] > 1


def test_music_beyond_the_next_gap_has_no_say() -> None:
    music = without(beat(2100, 100), PLACE, 90)
    other = music.copy()
    other[:, : PLACE - 400] = beat(PLACE - 400, 77, seed=9)
    within = np.array([[PLACE - 400, music.shape[1]]])
    one, two = (
        beat_jumps(either, np.array([PLACE]), within, (TURN,), PER_SECOND)
        for either in (music, other)
    )
    assert one == pytest.approx(two, abs=1e-5)


def test_many_places_are_weighed_as_each_alone() -> None:
    music = without(beat(2100, 100), PLACE, 90)
    places = list(range(250, 1750, 10))
    together = odds(music, *places)
    assert together == pytest.approx([odds(music, place)[0] for place in places], abs=1e-4)
    assert abs(places[int(together.argmax())] - PLACE) <= 20


def test_a_jump_of_a_turn_of_unknown_length_is_found() -> None:
    music, within = without(beat(2100, 100), PLACE, 67), np.array([[0, 2000]])
    said = beat_jumps(music, np.array([PLACE]), within, (TURN, 66.7, 38.5), PER_SECOND)
    assert said[0] > 2


def test_the_envelope_rises_where_something_is_struck() -> None:
    edges_db = np.full((2, 10 * CELL_TICKS + 7), 50, np.float32)
    edges_db[0, 5 * CELL_TICKS + 3 : 6 * CELL_TICKS] = 60  # 10 dB for one cell
    low = np.full((2, edges_db.shape[1]), 0.1, np.float32)
    levels = beat_levels(edges_db, low)
    assert levels.shape == (3, 10)
    assert levels[0].tolist() == [50] * 5 + [60] + [50] * 4
    assert levels[2] == pytest.approx(10 * np.log10(0.02), abs=1e-3)
    envelope = beat_envelope(levels)
    assert envelope[0, 3:8].tolist() == [0, 2.5, 5, 2.5, 0]
    assert not envelope[1:].any()
    assert beat_envelope(np.zeros((3, 0), np.float32)).shape == (3, 0)


@pytest.mark.parametrize("away", [-40, 0, 25])
def test_the_beat_parts_where_the_jump_was(away: int) -> None:
    music = without(beat(2100, 100), PLACE, 90)
    likely = beat_parts(music, PLACE + away, (0, music.shape[1]), PER_SECOND)
    around = round(AROUND_S * PER_SECOND)
    assert likely.shape == (2 * around + 1,)
    assert likely.max() == 0
    assert abs(int(likely.argmax()) - around + away) <= 5
    assert likely[around - away + 20] < -20
    assert likely[around - away - 15] < -20


def test_where_nothing_can_be_foretold_the_beat_parts_anywhere() -> None:
    music = beat(300, 100)
    assert not beat_parts(music, 150, (0, 300), PER_SECOND).any()
    assert not beat_parts(music, 10, (0, 300), PER_SECOND).any()
