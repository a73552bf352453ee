import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.rhythm import (
    beat_likeness,
    onsets,
    own_tempo_likeness,
    steadiness,
    tempo_likeness,
)

CELL_S = 0.02


def beats(length_s: float, period_s: float, first_s: float = 0.0) -> NDArray[np.uint8]:
    """Levels of eight bands that jump by 20 dB on every beat."""
    level = np.full((round(length_s / CELL_S), 8), 60, np.uint8)
    for at_s in np.arange(first_s, length_s - CELL_S, period_s):
        level[round(at_s / CELL_S), :] = 100
    return level


def test_a_rise_counts_and_a_fall_does_not() -> None:
    level = np.array([[0], [4], [4], [0]], np.uint8)
    assert onsets(level) == pytest.approx([-0.5, 1.5, -0.5, -0.5])


def test_the_same_tempo_is_alike_and_another_is_not() -> None:
    one, same, other = (onsets(beats(20.0, period_s)) for period_s in (0.5, 0.5, 0.36))
    alike, unlike = tempo_likeness(one, same, CELL_S), tempo_likeness(one, other, CELL_S)
    assert alike is not None
    assert unlike is not None
    assert alike > 0.95
    assert unlike < 0.3
    own = own_tempo_likeness(one, CELL_S)
    assert own is not None
    assert own > 0.9


def test_a_short_passage_tells_nothing() -> None:
    short, long = onsets(beats(3.0, 0.5)), onsets(beats(20.0, 0.5))
    assert tempo_likeness(short, long, CELL_S) is None
    assert own_tempo_likeness(short, CELL_S) is None
    assert beat_likeness(short, long, 50, CELL_S) is None


@pytest.mark.parametrize(("first_s", "in_time"), [(0.0, True), (0.24, False)])
def test_a_beat_goes_on_in_time_or_not(first_s: float, in_time: bool) -> None:
    before, after = onsets(beats(20.0, 0.5)), onsets(beats(20.0, 0.5, first_s))
    found = beat_likeness(before, after, round(2.0 / CELL_S), CELL_S)
    assert found is not None
    assert (found > 0.8) is in_time
    assert (found < 0.1) is not in_time


def test_over_a_long_silence_nobody_keeps_time() -> None:
    part = onsets(beats(20.0, 0.5))
    assert beat_likeness(part, part, round(8.0 / CELL_S), CELL_S) is None


def test_a_beat_that_drags_and_hurries_is_out_of_step_some_seconds_later() -> None:
    steady = beats(20.0, 0.5)
    free = np.full((1000, 8), 60, np.uint8)
    at_s = 0.0
    while at_s < 19.9:
        free[round(at_s / CELL_S)] = 100
        at_s += 0.5 * (1 + 0.15 * np.sin(at_s / 3))
    assert steadiness(onsets(steady), CELL_S) > 0.95
    assert steadiness(onsets(free), CELL_S) < 0.6
