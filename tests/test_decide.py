"""Deciding: steps in their order, steps that are off, and what a person corrected."""

from __future__ import annotations

from dataclasses import replace

import pytest

from acts_rig import TITLES, rules, sheet, small_side
from composer import write
from sidekeep.decide import decide, draft
from sidekeep.look import study
from sidekeep.measurements import Measurements
from sidekeep.model import Outcome, Plan, Sheet, SheetTrack
from sidekeep.planfile import CorrectedSide, CorrectedTrack, Corrections, read_corrections
from sidekeep.planfile import write as plan_text
from sidekeep.retitle import retitled
from sidekeep.rulesets import RuleSet
from sidekeep.study import Case


@pytest.fixture(scope="module")
def looked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Plan, Measurements, RuleSet]:
    folder = tmp_path_factory.mktemp("decide")
    write(small_side(), folder / "A.wav")
    (folder / "A.yaml").write_text(sheet(*TITLES), encoding="utf-8")
    rule_sets = rules(folder / "rules")
    case = Case("job", (folder / "A.wav",), sheet=folder / "A.yaml", rules="default")
    plan, seen = study(case, rule_sets)
    return plan, seen, rule_sets["default"]


def fresh(plan: Plan, seen: Measurements) -> Plan:
    """The draft that the plan began as."""
    bare = replace(plan, sides=(), findings=(), verdict=None, decisions=(), reasons=())
    return draft(replace(bare, outcome=Outcome.FILE), seen, "A")


def test_deciding_twice_gives_the_same_plan(looked: tuple[Plan, Measurements, RuleSet]) -> None:
    plan, seen, rule_set = looked
    again = decide(fresh(plan, seen), seen, rule_set.sections)
    assert again.sides == plan.sides
    assert again.findings == plan.findings


def test_with_all_steps_off_the_recording_is_one_track(
    looked: tuple[Plan, Measurements, RuleSet],
) -> None:
    plan, seen, rule_set = looked
    off = dict.fromkeys(rule_set.sections)
    (side,) = decide(fresh(plan, seen), seen, off).sides
    (track,) = side.tracks
    assert (track.span.start, track.span.end) == (0, seen.frames)
    assert track.gain_db == (0.0, 0.0)


def test_a_plan_released_as_it_stands_keeps_every_cut_to_the_frame(
    looked: tuple[Plan, Measurements, RuleSet],
) -> None:
    plan, seen, rule_set = looked
    written = read_corrections(plan_text(plan), "plan.yaml", plan.recording.duration_s)
    again = decide(fresh(plan, seen), seen, rule_set.sections, written)
    assert [track.span for track in again.sides[0].tracks] == [
        track.span for track in plan.sides[0].tracks
    ]
    assert again.outcome is Outcome.FILE


def test_a_corrected_cut_is_where_the_person_put_it(
    looked: tuple[Plan, Measurements, RuleSet],
) -> None:
    plan, seen, rule_set = looked
    tracks = (CorrectedTrack("One", None, 6.0, 20.25), CorrectedTrack("Two", "Ida", 20.25, 40.0))
    written = Corrections((CorrectedSide("B", tracks),))
    (side,) = decide(fresh(plan, seen), seen, rule_set.sections, written).sides
    assert side.label == "B"
    assert [track.span.start for track in side.tracks] == [6 * 44_100, round(20.25 * 44_100)]
    assert [track.artist for track in side.tracks] == [None, "Ida"]
    assert all(track.level is not None for track in side.tracks)


CUTS = Corrections(
    (
        CorrectedSide(
            "A", (CorrectedTrack("Old", None, 1.0, 2.0), CorrectedTrack("Er", None, 2.0, 3.0))
        ),
    )
)


def test_a_corrected_sheet_names_the_filed_cuts() -> None:
    new = Sheet(sides={"A": (SheetTrack("New"), SheetTrack("Est", "Ida"))})
    named = retitled(CUTS, new, "A")
    assert named is not None
    assert [(t.title, t.artist, t.start_s) for t in named.sides[0].tracks] == [
        ("New", None, 1.0),
        ("Est", "Ida", 2.0),
    ]


def test_a_sheet_with_another_number_of_tracks_asks_for_new_cuts() -> None:
    assert retitled(CUTS, Sheet(sides={"A": (SheetTrack("New"),)}), "A") is None


def test_a_recording_may_turn_out_to_be_the_other_side() -> None:
    moved = retitled(CUTS, Sheet(sides={"B": (SheetTrack("x"), SheetTrack("y"))}), "B")
    assert moved is not None
    assert (moved.sides[0].label, moved.sides[0].tracks[0].title) == ("B", "x")
