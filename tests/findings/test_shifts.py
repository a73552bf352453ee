"""Time that is missing from music of a machine, told by its beat alone."""

import numpy as np
import pytest

from composer import Band, Chamber, ComposedSide, Loop, Solo
from composer.faults import FAULTS
from findings_rig import findings, scene, side_of
from sidekeep.findings.shifts import beat_shifts

PLACE_S = 20.3


def without(side: ComposedSide, lost_s: float) -> ComposedSide:
    """Take out a piece, and fade from one side to the other so that no edge tells of it."""
    rate_hz = side.rate_hz
    place, lost, fade = (round(part_s * rate_hz) for part_s in (PLACE_S, lost_s, 0.03))
    before, after = side.samples[:, : place + fade], side.samples[:, place + lost :]
    rise = np.linspace(0, 1, fade)
    joined = before[:, place:] * (1 - rise) + after[:, :fade] * rise
    return side.with_samples(np.concatenate((before[:, :place], joined, after[:, fade:]), axis=1))


@pytest.mark.parametrize("lost_s", [0.012, 0.025])
def test_a_loop_that_comes_too_early_is_found_without_any_edge(lost_s: float) -> None:
    cut = without(side_of(Loop(126, key=3)), lost_s)
    (shift,) = beat_shifts(scene(cut))
    assert shift.lost_s == pytest.approx(lost_s, abs=0.0016)
    (told,) = (one for one in findings(cut) if one.kind == "dropout")
    assert told.span.start / cut.rate_hz == pytest.approx(PLACE_S, abs=0.2)
    assert told.numbers["length_ms"] == pytest.approx(1000 * lost_s, abs=1.6)


@pytest.mark.parametrize(
    "programme",
    [Loop(126, key=3), Loop(400 / 3, key=1), Band(104, key=2), Chamber(key=2), Solo(key=1)],
    ids=["loop", "loop of one turn", "band", "strings", "plucked"],
)
def test_a_beat_that_goes_on_does_not_shift(programme: Loop | Band | Chamber | Solo) -> None:
    assert beat_shifts(scene(side_of(programme))) == []


def test_a_jump_of_the_stylus_is_told_as_one() -> None:
    """At 130 beats a minute a turn is 46 ms less than four beats."""
    jumped = FAULTS["skip"](side_of(Loop(130, key=3)), PLACE_S, 1.0, 4)
    (told,) = (one for one in findings(jumped) if one.kind in {"skip", "dropout"})
    assert told.kind == "skip"
