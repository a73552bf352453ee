import itertools

import pytest

import spun
from sidekeep.model import Outcome, Plan, SheetTrack
from sidekeep.steps import split, trim

SETTINGS = split.Settings()
GAPS_S = ((40.5, 43.0), (78.0, 80.0))


def parts() -> list[spun.Audio]:
    return [
        spun.faded(spun.tune(37.0, 0), 3.0),
        spun.silence(2.5),
        spun.faded(spun.tune(35.0, 7, peak=0.2, width=0.8), 3.0),
        spun.silence(2.0),
        spun.faded(spun.tune(36.0, 3, width=0.1), 3.0),
    ]


AUDIO = spun.played(parts())
SEEN = spun.seen(AUDIO)


def cut(tracks: list[SheetTrack] | None = None, settings: split.Settings = SETTINGS) -> Plan:
    draft = trim.decide(spun.plan(AUDIO, tracks or ()), SEEN, trim.Settings())
    return split.decide(draft, SEEN, settings)


def cuts_s(plan: Plan) -> list[float]:
    return [track.span.start / spun.RATE_HZ for track in plan.sides[0].tracks[1:]]


def assert_in_gaps(plan: Plan) -> None:
    cuts = cuts_s(plan)
    assert len(cuts) == len(GAPS_S)
    for at_s, (start_s, end_s) in zip(cuts, GAPS_S, strict=True):
        assert start_s - 0.25 <= at_s <= end_s + 0.25


def test_gaps_alone_cut_and_number_the_tracks() -> None:
    plan = cut()
    assert plan.outcome is Outcome.FILE
    assert_in_gaps(plan)
    assert [track.title for track in plan.sides[0].tracks] == ["Track 01", "Track 02", "Track 03"]


def test_spans_join_and_fill_what_is_kept() -> None:
    side = cut().sides[0]
    spans = [track.span for track in side.tracks]
    assert spans[0].start == side.trimmed.start
    assert spans[-1].end == side.trimmed.end
    assert all(a.end == b.start for a, b in itertools.pairwise(spans))
    for track in side.tracks:
        assert track.span.start <= track.music.start < track.music.end <= track.span.end


def test_only_the_sides_ends_are_faded() -> None:
    first, middle, last = cut().sides[0].tracks
    assert first.fade_in_frames > 0
    assert last.fade_out_frames > 0
    assert first.fade_out_frames == middle.fade_in_frames == middle.fade_out_frames == 0


def test_titles_and_artists_come_from_the_sheet() -> None:
    plan = cut([SheetTrack("Ebb", "Ida Marlow"), SheetTrack("Neap"), SheetTrack("Spring")])
    assert plan.outcome is Outcome.FILE
    assert_in_gaps(plan)
    tracks = plan.sides[0].tracks
    assert [track.title for track in tracks] == ["Ebb", "Neap", "Spring"]
    assert tracks[0].artist == "Ida Marlow"
    assert all("gap" in track.why and track.certainty > 0.5 for track in tracks[1:])


@pytest.mark.parametrize("count", [2, 4])
def test_a_wrong_number_of_tracks_is_held(count: int) -> None:
    plan = cut([SheetTrack(f"T{n}") for n in range(count)])
    assert plan.outcome is Outcome.HOLD
    assert f"{count} tracks" in plan.reasons[0]


def test_right_lengths_are_filed() -> None:
    plan = cut(
        [SheetTrack("a", None, 37.0), SheetTrack("b", None, 35.0), SheetTrack("c", None, 36)]
    )
    assert plan.outcome is Outcome.FILE
    assert_in_gaps(plan)


def test_wrong_lengths_are_held_with_what_was_found_beside_them() -> None:
    plan = cut(
        [SheetTrack("a", None, 47.0), SheetTrack("b", None, 35.0), SheetTrack("c", None, 28)]
    )
    assert plan.outcome is Outcome.HOLD
    assert "0:47.0" in plan.reasons[0]
    assert "were found" in plan.reasons[0]
    assert_in_gaps(plan)


def test_a_segue_is_cut_by_the_written_lengths() -> None:
    audio = spun.played([spun.tune(40.0, 0), spun.tune(35.0, 7, peak=0.2)])
    seen = spun.seen(audio)
    lines = [SheetTrack("a", None, 40.0), SheetTrack("b", None, 35.0)]
    draft = trim.decide(spun.plan(audio, lines), seen, trim.Settings())
    plan = split.decide(draft, seen, SETTINGS)
    assert plan.outcome is Outcome.FILE
    assert cuts_s(plan) == pytest.approx([43.5], abs=1.0)
    bare = split.decide(
        trim.decide(spun.plan(audio, [SheetTrack("a"), SheetTrack("b")]), seen, trim.Settings()),
        seen,
        SETTINGS,
    )
    assert bare.outcome is Outcome.HOLD


def test_a_silence_inside_a_track_is_no_cut() -> None:
    whole = spun.loop(80.0, 2)
    half = whole.shape[1] // 2
    audio = spun.played([whole[:, :half], spun.silence(2.0), whole[:, half:]])
    seen = spun.seen(audio)
    plan = split.decide(trim.decide(spun.plan(audio), seen, trim.Settings()), seen, SETTINGS)
    assert plan.outcome is Outcome.FILE
    assert len(plan.sides[0].tracks) == 1


def test_a_gap_between_two_alike_is_held() -> None:
    one = spun.tune(60.0, 2)
    parts = [one, spun.silence(2.2), one[:, 37_000:]]
    audio = spun.played(parts)
    seen = spun.seen(audio)
    plan = split.decide(trim.decide(spun.plan(audio), seen, trim.Settings()), seen, SETTINGS)
    assert plan.outcome is Outcome.HOLD
    assert "one track" in plan.reasons[0]
    assert "% for another" in plan.reasons[0]


def test_by_none_makes_one_track() -> None:
    plan = cut(settings=split.Settings(by="none"))
    assert len(plan.sides[0].tracks) == 1
    assert plan.outcome is Outcome.FILE


def test_a_track_that_is_too_short_or_too_long_is_held_without_a_sheet() -> None:
    short = cut(settings=split.Settings(shortest_track_s=36.5))
    long = cut(settings=split.Settings(by="gaps", shortest_gap_s=10.0, longest_track_s=90.0))
    assert short.outcome is long.outcome is Outcome.HOLD
    assert "shortest allowed" in short.reasons[0]
    assert "minutes long" in long.reasons[0]


def test_every_cut_is_noted_with_its_reason() -> None:
    notes = [decision for decision in cut().decisions if decision.event == "cut"]
    assert len(notes) == 2
    assert all(isinstance(note.numbers["certainty"], float) for note in notes)
