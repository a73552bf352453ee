"""The plan as a file: what is written, what is read back, what is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep.errors import WrittenWrong
from sidekeep.model import (
    Balance,
    Copy,
    Finding,
    Judgement,
    Level,
    Part,
    Plan,
    Recording,
    Severity,
    Sheet,
    SheetTrack,
    Side,
    Span,
    Track,
    Verdict,
)
from sidekeep.planfile import CorrectedSide, CorrectedTrack, Corrections, read_corrections, write

RATE_HZ = 44_100
LIMIT_S = 1300.0
quickly = settings(max_examples=60, deadline=None, derandomize=True)


def span(start_s: float, end_s: float) -> Span:
    return Span(round(start_s * RATE_HZ), round(end_s * RATE_HZ))


def track(number: int, title: str, start_s: float, end_s: float, **changes: object) -> Track:
    whole = span(start_s, end_s)
    made = Track(number, title, None, whole, whole, (0.5, -0.5), why="2.1 s of groove noise")
    return replace(made, **changes)  # type: ignore[arg-type]


def plan(*sides: Side) -> Plan:
    frames = round(LIMIT_S * RATE_HZ)
    recording = Recording(
        (Part("A.wav", frames, 6 * frames, "ab" * 32),), "wav", "int", 24, RATE_HZ, 2, frames
    )
    sheet = Sheet("Marlow", "Low Water", sides={"A": (SheetTrack("Slack Water", None, 250.0),)})
    return Plan("20250301-a", recording, "album", "'album' because rpm is 33.33", sheet, sides)


def side(label: str | None, *tracks: Track) -> Side:
    whole = Span(tracks[0].span.start, tracks[-1].span.end)
    return Side(label, whole, whole, whole, groove=(span(0, 2),), tracks=tracks)


TWO = side("A", track(1, "Slack Water", 4.21, 256.5), track(2, "Ebb", 256.5, 1102.41))


def test_a_plan_as_a_person_sees_it() -> None:
    doubtful = replace(
        TWO.tracks[1], certainty=0.62, why="only 0.4 s of groove noise", artist="Ida"
    )
    held = plan(replace(TWO, tracks=(TWO.tracks[0], doubtful))).holding("the cut is not certain")
    held = replace(held, verdict=Verdict(Judgement.GOOD, "A good transfer."))
    head, _, rest = write(held).partition("\n# From here on")
    assert head == (
        "# Plan of job 20250301-a.\n"
        "# Verdict: good. A good transfer.\n"
        "#\n"
        "# It waits for you because:\n"
        "#   - the cut is not certain\n"
        "#\n"
        "# Not certain (listen there, the report has a picture of each place):\n"
        "#   - side A, start of track 2 at 4:16.500: not certain (0.62): only 0.4 s of groove noise\n"
        "#\n"
        "# To correct it: change titles, artists, times and sides below; take a track out or add\n"
        "# one. Times are minutes:seconds of the recording. A track ends where the next begins,\n"
        "# unless it has its own 'end'; the last one ends at the side's 'end'.\n"
        "# Then, or if all is right as it is, run: sidekeep release 20250301-a\n"
        "\n"
        "sides:\n"
        '  - side: "A"\n'
        "    end: 18:22.410\n"
        "    tracks:\n"
        "      # track 1\n"
        "      - start: 0:04.210  # certain (1.00): 2.1 s of groove noise\n"
        '        title: "Slack Water"\n'
        "      # track 2\n"
        "      - start: 4:16.500  # not certain (0.62): only 0.4 s of groove noise\n"
        '        title: "Ebb"\n'
        '        artist: "Ida"\n'
    )
    assert rest.startswith(" for reading only: changes below this line are ignored.\ndecided:\n")


def test_a_filed_plan_asks_for_nothing() -> None:
    text = write(plan(TWO))
    assert "this file is a record" in text
    assert "sidekeep release" not in text


def test_everything_decided_is_in_it_and_another_reader_understands_it() -> None:
    level = Level(-18.2, 7.5, -3.1, -3.4, 2.8, "peak")
    full = replace(
        TWO,
        balance=Balance(0.8, 0.8, 0.93, "centre found"),
        level=level,
        tracks=(
            replace(
                TWO.tracks[0],
                level=level,
                tags={"title": "Slack Water", "album": "Low Water"},
                copies=(Copy("Marlow/Low Water/A1 Slack Water.flac", "flac", RATE_HZ, 24),),
            ),
        ),
    )
    numbers = {"gaps": (1.5, 2.25), "table": np.array([1.0, 2.0]), "n": np.int64(3), "ok": True}
    made = replace(
        plan(full).noting("split", "gaps_found", **numbers),
        findings=(
            Finding("hum", Severity.NOTE, span(1, 2), "50 Hz", {"level_db": -58.0}, "earth"),
        ),
        treatments=("rumble filter 15 Hz",),
        master_path="Marlow/Low Water/A.wav",
    )
    read = yaml.safe_load(write(made))["decided"]  # another reader of YAML
    assert read["rule_set"] == "album"
    assert read["master_path"] == "Marlow/Low Water/A.wav"
    assert read["treatments"] == ["rumble filter 15 Hz"]
    assert read["recording"]["parts"][0]["sha256"] == "ab" * 32
    assert read["sides"][0]["balance"]["evidence"] == 0.93
    assert read["sides"][0]["level"]["ruled_by"] == "peak"
    (first,) = read["sides"][0]["tracks"]
    assert first["gain_db"] == [0.5, -0.5]
    assert first["span"] == {"start_s": 4.21, "end_s": 256.5, "frames": [185_661, 11_311_650]}
    assert first["tags"] == {"title": "Slack Water", "album": "Low Water"}
    assert first["copies"][0]["path"] == "Marlow/Low Water/A1 Slack Water.flac"
    assert read["findings"][0]["numbers"] == {"level_db": -58.0}
    assert read["decisions"] == [
        {
            "step": "split",
            "event": "gaps_found",
            "numbers": {"gaps": [1.5, 2.25], "table": [1.0, 2.0], "n": 3, "ok": True},
        }
    ]


def test_the_same_plan_gives_the_same_text_whatever_the_order_of_its_tags() -> None:
    one = replace(TWO.tracks[0], tags={"title": "a", "album": "b"})
    other = replace(TWO.tracks[0], tags={"album": "b", "title": "a"})
    assert write(plan(side("A", one))) == write(plan(side("A", other)))


def corrections(text: str, limit_s: float = LIMIT_S) -> Corrections:
    return read_corrections(text, "plan.yaml", limit_s)


def test_an_unchanged_plan_says_what_was_proposed() -> None:
    assert corrections(write(plan(TWO))) == Corrections(
        (
            CorrectedSide(
                "A",
                (
                    CorrectedTrack("Slack Water", None, 4.21, 256.5),
                    CorrectedTrack("Ebb", None, 256.5, 1102.41),
                ),
            ),
        )
    )


def test_one_changed_time_moves_a_cut() -> None:
    text = write(plan(TWO)).replace("start: 4:16.500", "start: 4:20.000")
    first, second = corrections(text).sides[0].tracks
    assert first.end_s == second.start_s == 260.0


def test_a_gap_between_tracks_keeps_its_end() -> None:
    apart = side("A", track(1, "x", 1, 100), track(2, "y", 103, 200))
    first, second = corrections(write(plan(apart))).sides[0].tracks
    assert (first.end_s, second.start_s) == (100.0, 103.0)


def test_a_track_may_be_taken_out_or_added() -> None:
    lines = write(plan(TWO)).splitlines()
    second = next(n for n, line in enumerate(lines) if "start: 4:16.500" in line)
    taken_out = "\n".join(lines[:second] + lines[second + 2 :])
    assert [t.end_s for t in corrections(taken_out).sides[0].tracks] == [1102.41]
    added = "\n".join([*lines[:second], "      - {start: 2:00, title: New}", *lines[second:]])
    assert [t.start_s for t in corrections(added).sides[0].tracks] == [4.21, 120.0, 256.5]


def test_two_sides_and_a_side_without_label() -> None:
    other = side(None, track(1, "Neap", 1110, 1200))
    found = corrections(write(plan(TWO, other)))
    assert [s.label for s in found.sides] == ["A", None]


def test_what_is_decided_may_be_changed_broken_or_missing() -> None:
    text = write(plan(TWO))
    editable = text.partition("decided:")[0]
    assert corrections(editable) == corrections(text)
    assert corrections(editable + "decided:\n  {[ broken \x00\n" + "x" * 1_000_000) == corrections(
        text
    )


def test_windows_line_ends_and_a_byte_order_mark() -> None:
    text = write(plan(TWO))
    data = b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode()
    assert read_corrections(data, "plan.yaml", LIMIT_S) == corrections(text)


def test_the_last_thousandth_of_the_recording_may_be_rounded_up() -> None:
    whole = side("A", track(1, "x", 0, 12.3456))
    (found,) = corrections(write(plan(whole)), limit_s=12.3456).sides[0].tracks
    assert found.end_s == 12.3456


SIDES = "sides:\n- side: A\n  end: 2:00\n  tracks:\n"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            SIDES + "  - {start: 1:00, title: a}\n  - {start: 0:30, title: b}\n",
            "plan.yaml:6:13: track 1 ends at 0:30.000, not after its start at 1:00.000",
        ),
        (
            SIDES + "  - {start: 0:10, end: 1:00, title: a}\n  - {start: 0:50, title: b}\n",
            "plan.yaml:6:13: track 2 starts at 0:50.000, before track 1 ends at 1:00.000",
        ),
        (
            SIDES + "  - {start: 2:00, title: a}\n",
            "plan.yaml:3:8: track 1 ends at 2:00.000, not after its start",
        ),
        (
            SIDES + "  - {start: 21:41, title: a}\n",
            "plan.yaml:5:13: '21:41' is after the end of the recording at 21:40.000",
        ),
        (SIDES + "  - {start: 61, title: a}\n", "plan.yaml:5:13: '61' is no time"),
        (SIDES + "  - {start: -0:10, title: a}\n", "'-0:10' is no time"),
        (SIDES + "  - {title: a}\n", "plan.yaml:5:5: a track needs a 'start'"),
        (SIDES + "  - {start: 0:01}\n", "plan.yaml:5:5: a track needs a 'title'"),
        (SIDES + "  - {start: 0:01, title: }\n", "'title' is empty"),
        (SIDES + "  - {start: 0:01, title: [x]}\n", "must be text, not a list"),
        (SIDES + "  - {strat: 0:01, title: x}\n", "unknown key 'strat'; did you mean 'start'?"),
        (SIDES.replace("  end: 2:00\n", "") + "  - {start: 0:01, title: a}\n", "needs an 'end'"),
        ("sides:\n- {side: A, tracks: []}\n", "plan.yaml:2:21: a side needs 'tracks'"),
        ("sides:\n- {side: A}\n", "a side needs 'tracks'"),
        ("sides: []\n", "plan.yaml:1:1: 'sides' must be a list with at least one side"),
        ("sides: A\n", "'sides' must be a list"),
        ("", "the plan has no 'sides'"),
        ("side: A\n", "unknown key 'side'"),
        (SIDES + "  - {start: 0:01, title: *x}\n", "aliases"),
        (
            "sides:\n- {end: 2:00, tracks: [{start: 0:01, title: a}]}\n"
            "- {end: 3:00, tracks: [{start: 1:59, title: b}]}\n",
            "plan.yaml:3:32: side 2, track 1 starts at 1:59.000, before side 1, track 1 ends",
        ),
        (
            "sides:\n- {side: A, end: 2:00, tracks: [{start: 0:01, title: a}]}\n"
            "- {side: a, end: 3:00, tracks: [{start: 2:59, title: b}]}\n",
            "plan.yaml:3:10: the side 'a' is here twice",
        ),
    ],
)
def test_mistakes(text: str, expected: str) -> None:
    with pytest.raises(WrittenWrong) as caught:
        corrections(text)
    assert expected in str(caught.value)


def test_all_mistakes_come_in_one_go() -> None:
    text = SIDES + "  - {start: 1, title: a}\n  - {start: 0:10}\n  - {start: 9:99, title: b}\n"
    with pytest.raises(WrittenWrong) as caught:
        corrections(text)
    assert [mistake.line for mistake in caught.value.mistakes] == [5, 6, 7]


_ANY_TEXT = st.text(min_size=1, max_size=40)


@quickly
@given(
    st.lists(st.tuples(_ANY_TEXT, st.none() | _ANY_TEXT), min_size=1, max_size=5),
    st.text(min_size=1, max_size=8),
    st.data(),
)
def test_any_title_comes_back_as_it_was(
    named: list[tuple[str, str | None]], reason: str, data: st.DataObject
) -> None:
    cuts = sorted(
        data.draw(
            st.lists(
                st.integers(0, 1_300_000),
                min_size=len(named) + 1,
                max_size=len(named) + 1,
                unique=True,
            )
        )
    )
    tracks = [
        track(n, title, start / 1000, end / 1000, artist=artist, why=reason)
        for n, ((title, artist), start, end) in enumerate(
            zip(named, cuts, cuts[1:], strict=False), 1
        )
    ]
    made = plan(side(reason.strip() or None, *tracks)).holding(reason)
    text = write(made)
    assert write(made) == text
    found = corrections(text)
    assert [
        (t.title, t.artist, round(t.start_s * 1000), round(t.end_s * 1000))
        for t in found.sides[0].tracks
    ] == [
        (title, artist, start, end)
        for (title, artist), start, end in zip(named, cuts, cuts[1:], strict=False)
    ]
    assert yaml.safe_load(text)["decided"]["reasons"] == [reason]
