"""Every fault the composer can make, at the strength that a careful listener notices."""

from dataclasses import replace

import numpy as np
import pytest

from composer import Band, Chamber, Electronics, Groove, HardPanned, Loop, Mono, Programme, Solo
from composer.faults import FAULTS
from findings_rig import clean_side, findings, scene, side_of
from sidekeep.findings import speed
from sidekeep.model import Severity

PLACE_S, EARLY_S = 17.3, 6.0

FOUND = {
    "converter clipping": "clipping",
    "preamplifier clipping": "clipping",
    "low capture": "low capture",
    "dead channel": "dead channel",
    "weak channel": "weak channel",
    "one-sided noise": "one-sided noise",
    "swapped polarity": "swapped polarity",
    "locked groove": "locked groove",
    "dropout, zeros": "dropout",
    "dropout, repeated": "dropout",
    "speed": "speed",
    "slip": "slip",
    "slip, lasting": "slip",
    "wow": "wow",
    "hum": "hum",
    "rumble": "rumble",
    "thump": "thumps",
    "clicks": "clicks",
    "scratch": "scratch",
    "groove noise": "groove noise",
    "inner distortion": "inner distortion",
    "cut short, start": "cut short",
    "cut short, end": "cut short",
    "lossy, low-passed": "source format",
    "lossy, coded": "source format",
    "upsampled": "source format",
}
PLACED = {"locked groove", "dropout, zeros", "dropout, repeated", "thump", "scratch"}
PLACED |= {"slip", "slip, lasting"}


@pytest.mark.parametrize("fault", FOUND)
def test_a_fault_is_found_where_it_is(fault: str) -> None:
    place_s = EARLY_S if fault == "scratch" else PLACE_S
    side = FAULTS[fault](clean_side(), place_s, 1.0, 5)
    hits = [one for one in findings(side, source_format="listen") if one.kind == FOUND[fault]]
    assert [one for one in hits if one.severity is not Severity.NOTE], fault
    assert all(one.advice for one in hits)
    if fault in PLACED:
        errors_s = [
            abs(one.span.start / side.rate_hz - side.truth.faults[-1].start_s) for one in hits
        ]
        assert min(errors_s) <= 0.2


def test_hardly_any_lead_in_is_worth_hearing() -> None:
    """Common practice, no source: a lead-in lasts a second or more."""
    side = clean_side()
    start_s = side.truth.programme_start_s - 0.45
    samples = side.samples[:, round(start_s * side.rate_hz) :]
    cut = replace(side, samples=samples, truth=side.truth.moved(lambda t: max(t - start_s, 0.0)))
    (found,) = [one for one in findings(cut) if one.kind == "cut short"]
    assert found.severity is Severity.LISTEN
    assert found.span.start == 0


def test_padded_words_are_noted() -> None:
    side = FAULTS["padded words"](clean_side(), PLACE_S, 1.0, 5)
    (found,) = (one for one in findings(side) if one.kind == "source format")
    assert (found.severity, found.numbers["used_bits"]) == (Severity.NOTE, 16)


@pytest.mark.parametrize(
    "programme",
    [HardPanned(), Loop(400 / 3), Solo()],
    ids=lambda programme: type(programme).__name__,
)
def test_a_good_transfer_is_left_alone(programme: Programme) -> None:
    told = [one for one in findings(side_of(programme)) if one.severity is not Severity.NOTE]
    assert told == []


def test_a_mono_record_is_noted() -> None:
    kinds = {one.kind for one in findings(side_of(Mono(Band(100))))}
    assert "mono content" in kinds
    told = findings(clean_side())
    assert {one.severity for one in told} == {Severity.NOTE}
    assert "mono content" not in {one.kind for one in told}


def test_a_locked_groove_is_told_from_music_that_returns_every_revolution() -> None:
    music = side_of(Loop(400 / 3))
    stuck = FAULTS["locked groove"](music, PLACE_S, 1.0, 5)
    (found,) = (one for one in findings(stuck) if one.kind == "locked groove")
    assert found.numbers["repeats"] == 2
    assert found.numbers["turn_s"] == pytest.approx(1.8, abs=0.002)
    assert found.numbers["left_over_noise_db"] < -8


@pytest.mark.parametrize(("rpm", "turn_s"), [(100 / 3, 1.8), (45.0, 1.333)])
@pytest.mark.parametrize("programme", [Band(104, key=2), Solo()], ids=["band", "solo"])
def test_a_groove_that_returned_twice_is_told_once(
    programme: Programme, rpm: float, turn_s: float
) -> None:
    stuck = FAULTS["locked groove"](side_of(programme, rpm=rpm), PLACE_S, 1.0, 5)
    told = [one for one in findings(stuck) if one.kind in {"locked groove", "skip"}]
    assert [(one.kind, one.severity) for one in told] == [("locked groove", Severity.AGAIN)]
    assert (told[0].numbers["repeats"], told[0].numbers["turn_s"]) == (2, turn_s)


def test_a_locked_groove_of_even_notes_is_found_when_a_turn_is_no_whole_number_of_ticks() -> None:
    strings = side_of(Chamber(key=5, places=(-0.9, -0.6, 0.2, 0.5)), rpm=78.0)
    stuck = FAULTS["locked groove"](strings, 21.1, 1.0, 5)
    (found,) = (one for one in findings(stuck) if one.kind == "locked groove")
    assert found.span.start / stuck.rate_hz == pytest.approx(21.1, abs=0.1)
    assert found.numbers["repeats"] == 2


def test_hum_does_not_pass_for_a_locked_groove() -> None:
    humming = FAULTS["hum"](side_of(Loop(400 / 3)), PLACE_S, 2.0, 5)
    assert "locked groove" not in {one.kind for one in findings(humming)}


def test_the_turntables_speed_is_read_from_the_run_out() -> None:
    fast = FAULTS["speed"](clean_side(), 0.0, 2.0, 5)
    (found,) = (one for one in findings(fast) if one.kind == "speed")
    assert found.numbers["deviation_percent"] == pytest.approx(3.0, abs=0.1)
    assert found.severity is Severity.LISTEN


def test_the_speed_of_a_record_of_unknown_speed_is_only_noted() -> None:
    unknown = replace(scene(FAULTS["speed"](clean_side(), 0.0, 2.0, 5)), rpm=None)
    (found,) = speed.find(unknown, listen_percent=1.2)
    assert found.severity is Severity.NOTE
    assert found.detail.endswith("if the record is one of 33 1/3 rpm.")


def test_an_offset_of_the_converter_is_not_taken_for_noise_or_programme() -> None:
    side = clean_side()
    off_centre = side.with_samples(side.samples + np.array([[0.01], [-0.008]]))
    quiet, moved = (scene(one).groove_power() for one in (side, off_centre))
    assert moved == pytest.approx(quiet, rel=0.2)
    assert {one.severity for one in findings(off_centre)} == {Severity.NOTE}


@pytest.mark.parametrize("fault", ["lossy, low-passed", "upsampled"])
def test_the_origin_of_the_format_is_a_note_unless_the_rule_set_asks_for_more(fault: str) -> None:
    side = FAULTS[fault](clean_side(), PLACE_S, 1.0, 5)
    for asked, told in (("note", Severity.NOTE), ("listen", Severity.LISTEN)):
        (found,) = (
            one
            for one in findings(side, source_format=asked)
            if one.kind == "source format" and "edge_hz" in one.numbers
        )
        assert found.severity is told


def test_soft_music_makes_neither_rumble_nor_hum_a_matter_for_the_ear() -> None:
    electronics = Electronics(hum_dbfs=-63.0, mains_hz=60.0)
    side = side_of(Band(), peak_dbfs=-24.0, electronics=electronics)
    told = {one.kind: one for one in findings(side)}
    assert told["hum"].numbers["mains_hz"] == 60
    assert told["rumble"].numbers["rumble_over_loud_db"] > -45
    assert {one.severity for one in told.values()} == {Severity.NOTE}


def test_thick_crackle_is_counted_and_loud_clicks_are_told() -> None:
    groove = Groove(level_dbfs=-60.0, crackle_per_s=20.0, crackle_peak_dbfs=-34.0)
    (fine,) = (one for one in findings(side_of(Band(), groove=groove)) if one.kind == "clicks")
    assert fine.severity is Severity.NOTE
    assert fine.numbers["weighted_per_minute"] > fine.numbers["clicks_per_minute"] > 60


def test_drums_on_the_beat_of_a_revolution_are_no_scratch() -> None:
    kinds = {one.kind for one in findings(side_of(Loop(400 / 3, key=2)))}
    assert "scratch" not in kinds


@pytest.mark.parametrize("programme", [Band(104, key=2), Solo()], ids=["band", "solo"])
@pytest.mark.parametrize("place_s", [12.1, PLACE_S])
def test_a_jump_ahead_is_found_and_told_once(programme: Programme, place_s: float) -> None:
    jumped = FAULTS["skip"](side_of(programme), place_s, 1.0, 5)
    (found,) = (one for one in findings(jumped) if one.kind in {"skip", "thumps", "dropout"})
    assert found.kind == "skip"
    assert found.severity is not Severity.NOTE
    assert found.span.start / jumped.rate_hz == pytest.approx(place_s, abs=0.1)


def test_lost_samples_are_told_from_a_jump() -> None:
    lost = FAULTS["dropout, missing"](side_of(Band(104, key=2)), 12.1, 2.0, 5)
    (found,) = (one for one in findings(lost) if one.kind in {"dropout", "skip"})
    assert found.kind == "dropout"
    assert found.numbers["length_ms"] == pytest.approx(20, abs=1)


def test_a_stylus_that_falls_back_once_has_skipped_and_repeated_a_groove() -> None:
    told = findings(FAULTS["locked groove"](clean_side(), PLACE_S, 0.5, 5))
    back = {one.kind: one for one in told if one.kind in {"skip", "locked groove", "dropout"}}
    assert set(back) == {"skip", "locked groove"}
    assert back["locked groove"].numbers["repeats"] == 1
    assert back["skip"].span.start / 44_100 == pytest.approx(PLACE_S, abs=0.05)
    assert "jumped back one turn" in back["skip"].detail
