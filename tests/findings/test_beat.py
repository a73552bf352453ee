"""Jumps that the beat tells, and music that looks like them."""

import numpy as np
import pytest

from composer import Band, ComposedSide, Loop, Programme, SideSpec, Track, compose
from composer.faults import FAULTS
from composer.noise import Samples
from evaluation.traps import TRAPS, Changed
from findings_rig import findings, scene
from sidekeep.findings.beat import BeatJumps
from sidekeep.findings.breaks import find_breaks
from sidekeep.model import Severity

PLACE_S = 23.7
TELLING = 1.5  # odds that make up for an edge that nobody examined
SAYING = 0.6  # odds that say anything at all


def long_side(programme: Programme) -> ComposedSide:
    return compose(SideSpec((Track("One", programme, 50.0, fade_out_s=2.0),), seed=3))


def places(side: ComposedSide) -> list[tuple[float, float]]:
    """Seconds and odds."""
    seen = scene(side)
    return [(tick / seen.ticks_per_second, odds) for tick, odds in BeatJumps(seen).places()]


@pytest.mark.parametrize(
    "programme",
    [Loop(126, key=1), Loop(118, key=4), Band(110, key=1), TRAPS["percussion"]],
    ids=["club", "slower club", "band", "claves"],
)
def test_a_jump_is_told_by_the_beat_and_where_it_is(programme: Programme) -> None:
    jumped = FAULTS["skip"](long_side(programme), PLACE_S, 1.0, 5)
    ((place_s, odds),) = (one for one in places(jumped) if one[1] > SAYING)
    assert odds > TELLING
    assert place_s == pytest.approx(PLACE_S, abs=0.2)


def paused(sound: Samples, rate_hz: int, rng: np.random.Generator) -> Samples:
    """The players stop for 0.9 s and begin again; at 110 a minute, nearly as if they had jumped a turn."""
    del rng
    place = 23 * rate_hz
    silence = np.zeros((2, round(0.9 * rate_hz)))
    return np.concatenate((sound[:, :place], silence, sound[:, place:]), axis=1)[
        :, : sound.shape[1]
    ]


def cut_shorter(sound: Samples, rate_hz: int, rng: np.random.Generator) -> Samples:
    """One hard edit, 1.1 s left out."""
    del rng
    place, cut = 23 * rate_hz, round(1.1 * rate_hz)
    shorter = np.concatenate((sound[:, :place], sound[:, place + cut :]), axis=1)
    return np.pad(shorter, ((0, 0), (0, cut)))


@pytest.mark.parametrize(
    "programme",
    [
        TRAPS["free tempo"],
        TRAPS["edits"],
        TRAPS["percussion"],
        TRAPS["bar of one revolution"],
        Loop(126, key=1),
        Changed(Loop(126, key=1), paused),
        Changed(Band(110, key=1), paused),
        Changed(Band(110, key=1), cut_shorter),
    ],
    ids=["free", "edits", "claves", "one turn a bar", "club", "stop", "band stops", "edit"],
)
def test_a_beat_that_does_not_jump_by_a_turn_says_nothing(programme: Programme) -> None:
    assert [one for one in places(long_side(programme)) if one[1] > SAYING] == []


def test_a_jump_by_a_whole_bar_leaves_the_beat_as_it_was() -> None:
    jumped = FAULTS["skip"](long_side(TRAPS["bar of one revolution"]), PLACE_S, 1.0, 5)
    assert [one for one in places(jumped) if one[1] > SAYING] == []


def test_a_jump_among_hard_edges_is_found_by_its_beat() -> None:
    """Every bar of a loop may break at its own hits; the beat goes on over them."""
    side = long_side(Loop(118, key=2))
    jumped = FAULTS["skip"](side, PLACE_S, 1.0, 5)
    (found,) = (one for one in findings(jumped) if one.severity is not Severity.NOTE)
    assert found.kind == "skip"
    assert found.span.start / side.rate_hz == pytest.approx(PLACE_S, abs=0.2)


def test_samples_that_were_lost_under_a_beat_stay_lost_samples() -> None:
    side = FAULTS["dropout, missing"](long_side(Band(104, key=2)), PLACE_S, 1.0, 5)
    best, *_ = find_breaks(scene(side))
    assert best.lost
    assert best.span.start / side.rate_hz == pytest.approx(PLACE_S, abs=0.2)
