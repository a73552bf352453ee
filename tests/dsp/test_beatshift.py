"""Beats that come too early: told to the millisecond in music of a machine, never of players."""

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.beatshift import Shift, beat_shift, sharp_onsets

TICKS_PER_S = 918.75  # of 48 frames at 44.1 kHz
BEAT_S = 60 / 126


def edges_db(
    *, length_s: float = 60.0, lost_at_s: float = 0.0, lost_s: float = 0.0, late_s: float = 0.0
) -> NDArray[np.float32]:
    """A drum pattern of two bars, over and over, on ticks; players are late by up to `late_s`."""
    rng = np.random.default_rng(1)
    pattern = [(step, rng.uniform(4, 14)) for step in range(32) if rng.random() < 0.6]
    table = rng.normal(-60, 1.0, (2, round(length_s * TICKS_PER_S))).astype(np.float32)
    for bar in range(round(length_s / (8 * BEAT_S)) + 1):
        for step, rise_db in pattern:
            at_s = bar * 8 * BEAT_S + step * BEAT_S / 4 + late_s * rng.standard_normal()
            if lost_s and at_s > lost_at_s:
                at_s -= lost_s
            tick = round(at_s * TICKS_PER_S)
            if 0 <= tick < table.shape[1] - 40:
                table[:, tick : tick + 40] += np.float32(rise_db) * np.linspace(1, 0, 40)
    return table


def shift_of(table: NDArray[np.float32]) -> Shift | None:
    return beat_shift(sharp_onsets(table), TICKS_PER_S)


@pytest.mark.parametrize("lost_s", [0.006, 0.01, 0.023, 0.046])
def test_missing_time_is_found_and_measured(lost_s: float) -> None:
    found = shift_of(edges_db(lost_at_s=31.3, lost_s=lost_s))
    assert found is not None
    assert found.gain > 0.4
    assert found.steady > 0.4
    assert found.lost_ticks / TICKS_PER_S == pytest.approx(lost_s, abs=0.0016)
    assert found.tick / TICKS_PER_S == pytest.approx(31.3, abs=BEAT_S / 2)


def test_a_machine_that_goes_on_gains_nothing() -> None:
    found = shift_of(edges_db())
    assert found is not None
    assert found.gain < 0.02


def test_time_that_is_added_is_not_missing() -> None:
    found = shift_of(edges_db(lost_at_s=31.3, lost_s=-0.02))
    assert found is not None
    assert found.gain < 0.1


@pytest.mark.parametrize("late_s", [0.006, 0.012, 0.02])
def test_players_are_never_so_steady(late_s: float) -> None:
    """Drummers depart from the beat by 10 to 20 ms (common practice, no source)."""
    for lost_s in (0.0, 0.01):
        found = shift_of(edges_db(late_s=late_s, lost_at_s=31.3, lost_s=lost_s))
        assert found is None or found.gain < 0.17


@pytest.mark.parametrize("length_s", [0.0, 5.0, 19.0])
def test_nothing_is_said_of_what_is_too_short(length_s: float) -> None:
    assert shift_of(edges_db(length_s=length_s)) is None


def test_silence_and_noise_do_not_repeat() -> None:
    assert shift_of(np.full((2, 40_000), -70, np.float32)) is None
    noise = np.random.default_rng(2).normal(-60, 3, (2, 40_000)).astype(np.float32)
    assert shift_of(noise) is None
