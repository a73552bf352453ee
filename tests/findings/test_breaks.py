"""Jumps and lost samples in whole sides, and the music that looks like them."""

from dataclasses import replace

import numpy as np
import pytest

from composer import Band, Chamber, ComposedSide, Loop, Solo
from composer.faults import FAULTS
from evaluation.traps import TRAPS
from findings_rig import findings, scene, side_of
from sidekeep.findings import dropout, skip
from sidekeep.findings.breaks import Break, find_breaks
from sidekeep.findings.scene import Scene
from sidekeep.model import Finding, Severity

LISTEN = 7.0


def breaks_of(side: ComposedSide) -> list[Finding]:
    """What is told of breaks, but for the note that a side breaks in many places."""
    kinds = {"skip", "dropout", "locked groove"}
    return [one for one in findings(side) if one.kind in kinds and "breaks" not in one.numbers]


@pytest.mark.parametrize(
    "programme",
    [Solo(key=1, notes_per_s=4.0), Chamber(key=2), Loop(126, key=3), Loop(400 / 3, key=11)],
    ids=["plucked", "strings", "loop", "loop of one turn"],
)
def test_notes_that_follow_each_other_are_no_break(programme: Solo | Chamber | Loop) -> None:
    assert breaks_of(side_of(programme)) == []


@pytest.mark.parametrize("trap", ["edits", "square wave", "percussion", "loud master"])
def test_music_that_was_made_of_hard_edges_is_left_alone(trap: str) -> None:
    assert breaks_of(side_of(TRAPS[trap])) == []


def test_a_stylus_that_jumps_again_and_again_is_told_each_time() -> None:
    """Music that was made of pieces does not swing the arm."""
    side = side_of(Band(104, key=2))
    places_s = (10.37, 15.37, 20.37)
    for place_s in places_s:
        side = FAULTS["skip"](side, place_s, 1.0, round(place_s))
    told = [one for one in findings(side) if one.kind == "skip"]
    assert len(told) == 3
    assert all(one.severity in {Severity.LISTEN, Severity.AGAIN} for one in told)
    for one, place_s in zip(sorted(told, key=lambda one: one.span.start), places_s, strict=True):
        assert one.span.start / side.rate_hz == pytest.approx(place_s, abs=0.05)


def test_a_locked_groove_is_not_told_twice() -> None:
    stuck = FAULTS["locked groove"](side_of(Band(104, key=2)), 17.3, 2.0, 5)
    assert {one.kind for one in breaks_of(stuck)} == {"locked groove"}
    assert not [one for one in findings(stuck) if "breaks" in one.numbers]


def test_silence_that_a_gate_puts_around_the_music_is_no_dropout() -> None:
    side = side_of(Band(104, key=2))
    rate_hz, truth = side.rate_hz, side.truth
    gated = side.samples.copy()
    gated[:, : round((truth.programme_start_s - 0.3) * rate_hz)] = 0
    gated[:, round((truth.programme_end_s + 0.3) * rate_hz) :] = 0
    assert breaks_of(side.with_samples(gated)) == []


@pytest.mark.parametrize("lost_frames", [441, 882, 2000])
def test_lost_samples_are_found(lost_frames: int) -> None:
    side = side_of(Band(104, key=2))
    place = round(15.3 * side.rate_hz)
    cut = np.concatenate((side.samples[:, :place], side.samples[:, place + lost_frames :]), axis=1)
    (found,) = breaks_of(side.with_samples(cut))
    assert found.span.start == pytest.approx(place, abs=100)


def test_a_pop_that_music_goes_on_under_is_no_break_however_sharp() -> None:
    side = side_of(Chamber(key=2))
    spoilt = side.samples.copy()
    for place_s in (9.3, 15.1, 21.7):
        spoilt[:, round(place_s * side.rate_hz)] += 0.3
    assert breaks_of(side.with_samples(spoilt)) == []


def test_the_breaks_of_a_side_are_measured_against_each_other() -> None:
    """Two breaks are two breaks; music that breaks all the time was edited so."""
    seen = scene(side_of(Chamber(key=2)))
    tick = 7000 + 1500 * np.arange(12)
    found = {}
    for breaks in (0, 1, 2, 5):
        table = np.tile(np.array([-20.0, 0.0, 0.0, 3.0, 3.0], np.float32), (tick.size, 1))
        table[:breaks, 0] = 18.0
        events = replace(seen.seen.events, break_tick=tick, breaks=table)
        told = find_breaks(replace(seen, seen=replace(seen.seen, events=events)))
        found[breaks] = sum(one.score >= LISTEN for one in told)
    assert found == {0: 0, 1: 1, 2: 2, 5: 0}


def test_an_edge_is_as_telling_as_it_is_rare() -> None:
    """Sharp among the samples beside it, at the top of the band, or both."""
    seen = scene(side_of(Chamber(key=2)))
    tick = 7000 + 150 * np.arange(120)
    rng = np.random.default_rng(1)

    def score(others_db: float, sharp_db: float, top_db: float) -> float:
        table = np.zeros((tick.size, 5), np.float32)
        table[:, 0] = -4.0
        table[:, 3:] = np.abs(rng.normal(others_db, 3.0, (tick.size, 2)))
        table[50, 3:] = sharp_db, top_db
        events = replace(seen.seen.events, break_tick=tick, breaks=table)
        first, *_ = find_breaks(replace(seen, seen=replace(seen.seen, events=events)))
        return first.score

    played, steps = 4.0, 22.0  # clicks that were played; music made of steps
    assert score(played, 24.0, 30.0) == pytest.approx(10.0, abs=3.0)
    assert score(played, 3.0, 30.0) == pytest.approx(8.0, abs=3.0)  # loud treble hides the rest
    assert score(played, 24.0, 3.0) < score(played, 24.0, 30.0) - 3
    assert score(steps, 24.0, 30.0) < 3
    assert score(played, 3.0, 3.0) < 3


def test_edges_of_one_height_make_none_of_them_rare() -> None:
    """Only such are examined as stand out at all, so that many may be hardly above the least."""
    seen = scene(side_of(Chamber(key=2)))
    tick = 7000 + 150 * np.arange(60)
    table = np.zeros((tick.size, 5), np.float32)
    table[:, 3] = 2.5
    table[:, 4] = 9.0 + 0.2 * np.random.default_rng(1).random(tick.size)
    table[20, 4] = 9.8
    events = replace(seen.seen.events, break_tick=tick, breaks=table)
    first, *_ = find_breaks(replace(seen, seen=replace(seen.seen, events=events)))
    assert first.alone < 4


@pytest.mark.parametrize(
    ("likeness", "sharp_db", "top_db", "kind"),
    [
        (0.9, 11.0, 10.0, "dropout"),
        (0.3, 8.0, 5.0, "skip"),
        (0.6, 8.0, 10.0, "dropout"),
        (0.3, 24.0, 30.0, "dropout"),
        (0.3, 3.0, 30.0, "dropout"),
    ],
    ids=[
        "goes on later",
        "goes on elsewhere",
        "the arm kept still",
        "no stylus is so quick",
        "no stylus gives so much at the top",
    ],
)
def test_a_jump_is_told_from_lost_samples_by_its_landing(
    likeness: float, sharp_db: float, top_db: float, kind: str
) -> None:
    seen = scene(side_of(Chamber(key=2)))
    tick = 7000 + 1500 * np.arange(12)
    table = np.tile(np.array([-20.0, 0.0, 0.0, 3.0, 3.0], np.float32), (tick.size, 1))
    table[5] = 14.0, 0.012, likeness, sharp_db, top_db
    events = replace(seen.seen.events, break_tick=tick, breaks=table)
    jumped = replace(seen, seen=replace(seen.seen, events=events))
    first, *_ = find_breaks(jumped)
    assert first.lost is (kind == "dropout")
    (found,) = (*skip.find(jumped, (first,), listen=LISTEN, again=25), *_lost(jumped, first))
    assert found.kind == kind


def _lost(seen: Scene, one: Break) -> list[Finding]:
    return [
        found
        for found in dropout.find(seen, (one,), listen=LISTEN, again=25)
        if "log_odds" in found.numbers
    ]
