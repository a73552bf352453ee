"""Sheets, sides, and one sheet out of all that is known."""

from __future__ import annotations

import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep.errors import WrittenWrong
from sidekeep.model import Sheet, SheetTrack
from sidekeep.sheets import length_s, merge, read_sheet, rpm_of, side_of

quickly = settings(max_examples=60, deadline=None, derandomize=True)

LOW_WATER = """\
artist: Marlow and the Tide Tables
title: Low Water
label: Saltmarsh Audio
catalogue: SMA 014
year: 1987
genre: jazz
rpm: 33
sides:
  A:
    tracks:
      - Slack Water                                  # a bare title
      - {title: Ebb, artist: Ida Marlow, length: "4:12"}
  B:
    tracks: [Neap, Spring]
"""


def mistakes_in(text: str | bytes) -> list[str]:
    with pytest.raises(WrittenWrong) as caught:
        read_sheet(text, "record.yaml")
    return [str(mistake) for mistake in caught.value.mistakes]


def test_the_form_that_the_readme_shows() -> None:
    assert read_sheet(LOW_WATER, "record.yaml") == Sheet(
        artist="Marlow and the Tide Tables",
        title="Low Water",
        label="Saltmarsh Audio",
        catalogue="SMA 014",
        year=1987,
        genre="jazz",
        rpm=100 / 3,
        sides={
            "A": (SheetTrack("Slack Water"), SheetTrack("Ebb", "Ida Marlow", 252.0)),
            "B": (SheetTrack("Neap"), SheetTrack("Spring")),
        },
        source="record.yaml",
    )


def test_titles_that_look_like_something_else_stay_titles() -> None:
    text = "sides:\n  1:\n    tracks: [No, 22:30, 012, 1999, ~, 'Low: Water', \"#1\", 3.10, Yes]\n"
    (tracks,) = read_sheet(text, "f").sides.values()
    titles = [track.title for track in tracks]
    assert titles == ["No", "22:30", "012", "1999", "~", "Low: Water", "#1", "3.10", "Yes"]


def test_an_unquoted_length_is_no_number_of_base_sixty() -> None:
    text = "sides: {A: {tracks: [{title: Ebb, length: 4:12}]}}"
    assert read_sheet(text, "f").sides["A"][0].length_s == 252.0


def test_a_side_may_be_named_before_its_tracks_are_known() -> None:
    assert read_sheet("sides:\n  A:\n  B: {}\n", "f").sides == {"A": (), "B": ()}


def test_text_is_put_into_normal_form_c() -> None:
    assert read_sheet("title: Cafe\u0301", "f").title == "Caf\u00e9"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("artst: x", "record.yaml:1:1: unknown key 'artst'; did you mean 'artist'?"),
        ("Title: x", "record.yaml:1:1: unknown key 'Title'; did you mean 'title'?"),
        ("title:", "record.yaml:1:7: 'title' is empty"),
        ("title: #1", "text that begins with # must be in quotes"),
        ("title: [Untitled]", "record.yaml:1:8: 'title' must be text, not a list; text with [ ]"),
        ("title: x\nyear: 87", "record.yaml:2:7: 'year' must have four digits"),
        ("year: 1066", "'year' must have four digits, such as 1987, not '1066'"),
        ("year: １９８７", "'year' must have four digits"),
        ("rpm: 34 1/3", "record.yaml:1:6: 'rpm' must be 33 (for 33 1/3), 45, 78"),
        ("sides: [A, B]", "record.yaml:1:8: 'sides' must name each side"),
        ("sides: {A: [x]}", "record.yaml:1:12: the tracks of side A belong under 'tracks:'"),
        ("sides: {A: {tracks: x}}", "record.yaml:1:21: the tracks of side A must be a list"),
        ("sides: {A: {track: []}}", "unknown key 'track'; did you mean 'tracks'?"),
        ("sides: {A: , a: }", "record.yaml:1:14: the side 'a' is here twice (also as 'A')"),
        ("sides: {../x: }", "record.yaml:1:9: a side needs a short label"),
        ("sides: {a very long label: }", "a side needs a short label"),
        ("sides: {A: {tracks: [{artist: x}]}}", "record.yaml:1:22: a track needs a title"),
        ("sides: {A: {tracks: [Low: Water]}}", "unknown key 'Low'; known are artist, length"),
        ("sides: {A: {tracks: [{title: x, length: 252}]}}", "must be written 4:12"),
        ("sides: {A: {tracks: [{title: x, length: 4:60}]}}", "must be written 4:12"),
        ("sides: {A: {tracks: [{title: x, length: 0:00}]}}", "must be written 4:12"),
        ("sides: {A: {tracks: [" + "x, " * 100 + "]}}", "more than 99 tracks"),
        ("sides: {" + ", ".join(f"A{n}: " for n in range(51)) + "}", "more than 50 sides"),
        ("title: " + "x" * 2000, "'title' is too long"),
        ('title: "a\\nb"', "'title' must be one line"),
        ('title: "\\x1b[2J"', "without control characters"),
        ("just words", "record.yaml:1:1: a sheet must be a mapping"),
        ("title: &a x", "anchors"),
    ],
)
def test_mistakes_are_told_with_their_place(text: str, expected: str) -> None:
    found = mistakes_in(text)
    assert any(expected in line for line in found), found


def test_all_mistakes_come_in_one_go() -> None:
    text = "artst: x\nyear: 87\nrpm: fast\nsides:\n  A:\n    tracks:\n      - {titel: y}\n      - [z]\n"
    assert [line.split(": ")[0] for line in mistakes_in(text)] == [
        "record.yaml:1:1",
        "record.yaml:2:7",
        "record.yaml:3:6",
        "record.yaml:7:9",
        "record.yaml:7:10",
        "record.yaml:8:9",
    ]


@pytest.mark.parametrize(
    ("text", "rpm"),
    [
        ("33", 100 / 3),
        ("33 1/3", 100 / 3),
        ("33.3", 100 / 3),
        ("45", 45.0),
        ("45 rpm", 45.0),
        ("78", 78.0),
        ("78.26", 78.26),
        ("77.92", 77.92),
        ("16", 50 / 3),
        ("80", 80.0),
        ("8", None),
        ("150", None),
        ("fast", None),
        ("-33", None),
    ],
)
def test_speeds(text: str, rpm: float | None) -> None:
    assert rpm_of(text) == rpm


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("4:12", 252.0),
        ("0:07", 7.0),
        ("1:02:03", 3723.0),
        ("4:12.5", 252.5),
        ("62:03.25", 3723.25),
        ("4:1", None),
        ("4:60", None),
        ("1:60:00", None),
        ("-4:12", None),
        ("4.12", None),
        ("٤:١٢", None),  # digits of another script
        ("1:2:3:4", None),
    ],
)
def test_lengths(text: str, seconds: float | None) -> None:
    assert length_s(text) == seconds


@quickly
@given(st.text(max_size=200) | st.binary(max_size=200))
def test_any_text_is_a_sheet_or_has_mistakes(text: str | bytes) -> None:
    try:
        sheet = read_sheet(text, "f")
    except WrittenWrong:
        return
    assert sheet.source == "f"


def test_thousands_of_unknown_keys_are_answered_quickly() -> None:
    began = time.process_time()
    found = mistakes_in("".join(f"artiste{n}: x\n" for n in range(15_000)))
    assert len(found) == 51
    assert time.process_time() - began < 2


# --- sides ----------------------------------------------------------------------------------------

TWO = Sheet(artist="Marlow", title="Low Water", sides={"A": (), "B": ()})
FOUR = Sheet(sides={"A1": (), "A2": (), "B1": (), "AA": ()})
ONE = Sheet(sides={"B": ()})
NONE = Sheet()


@pytest.mark.parametrize(
    ("stem", "sheet", "label"),
    [
        ("A", TWO, "A"),
        ("b", TWO, "B"),
        ("Low Water side B", TWO, "B"),
        ("low_water_SIDE_b", TWO, "B"),
        ("Low Water - side A (take 2)", TWO, "A"),
        ("Low Water B-side", TWO, "B"),
        ("Low Water B", TWO, "B"),
        ("2024-05-01 Low Water_A", TWO, "A"),
        ("Low Water (B)", TWO, "B"),
        ("Low Water", TWO, None),
        ("Low Water side C", TWO, None),  # the sheet knows no C
        ("Sidewinder A", TWO, "A"),
        ("Seaside B", TWO, "B"),
        ("rec_B1", FOUR, "B1"),
        ("side aa", FOUR, "AA"),
        ("anything at all", ONE, "B"),
        ("Low Water side A", ONE, "B"),
        ("A", NONE, "A"),
        ("B2", NONE, "B2"),
        ("Low Water side B", NONE, "B"),
        ("Low Water Side b", NONE, "B"),
        ("Low Water (side 2)", NONE, "2"),
        ("Low Water_B", NONE, "B"),
        ("Low Water - B", NONE, "B"),
        ("Low Water [B]", NONE, "B"),
        # without a sheet nothing is taken that may be part of a title
        ("Vitamin C", NONE, None),
        ("The Dark Side of It", NONE, None),
        ("Side Effects", NONE, None),
        ("rec_0001", NONE, None),
        ("Low Water_2024", NONE, None),
        ("", NONE, None),
    ],
)
def test_the_side_in_a_name(stem: str, sheet: Sheet, label: str | None) -> None:
    assert side_of(stem, sheet, {}) == label


def test_a_title_that_ends_like_a_side_names_none() -> None:
    plan_b = Sheet(artist="Marlow", title="Plan B", sides={"A": (), "B": ()})
    assert side_of("Plan B", plan_b, {}) is None
    assert side_of("Marlow - Plan B", plan_b, {}) is None
    assert side_of("Plan B side A", plan_b, {}) == "A"


def test_forced_goes_before_the_pattern_and_the_pattern_before_the_name() -> None:
    assert side_of("side A", TWO, {"side": "b"}) == "B"
    assert side_of("side A", TWO, {"side": "b"}, "a") == "A"
    assert side_of("side A", NONE, {}, "Z") == "Z"


@quickly
@given(st.text(max_size=60))
def test_any_name_gives_a_label_of_the_sheet_or_none(stem: str) -> None:
    assert side_of(stem, TWO, {}) in {"A", "B", None}


# --- merging --------------------------------------------------------------------------------------


def test_the_sheet_goes_before_the_name_and_the_name_before_the_tags() -> None:
    merged = merge(
        Sheet(artist="From Sheet", source="record.yaml"),
        {"artist": "From Name", "title": "From Name", "year": "1987", "rpm": "33", "side": "A"},
        {"artist": "tag", "album": "tag", "genre": " dub\n", "date": "1991-02-03", "title": "x"},
    )
    assert merged.sheet == Sheet(
        artist="From Sheet",
        title="From Name",
        year=1987,
        genre="dub",
        rpm=100 / 3,
        source="record.yaml",
    )
    assert merged.origins == {
        "artist": "sheet record.yaml",
        "title": "file name",
        "year": "file name",
        "genre": "recorder's tags",
        "rpm": "file name",
    }


def test_the_recorders_album_is_the_records_title() -> None:
    tags = {"album": "Low Water", "title": "Side A", "date": "1987"}
    assert merge(Sheet(), {}, tags).sheet == Sheet(title="Low Water", year=1987)
    assert merge(Sheet(), {}, {"title": "Low Water A"}).sheet.title == "Low Water A"


def test_what_does_not_pass_as_a_sheets_field_is_left_out() -> None:
    hostile = {"artist": "x" * 5000, "title": "\x00", "date": "yesterday", "genre": ""}
    assert merge(Sheet(), {"rpm": "fast"}, hostile).sheet == Sheet()
