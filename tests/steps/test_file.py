"""Where tracks and masters go."""

from dataclasses import replace
from typing import cast

import pytest

from plan_parts import plan, sheet, side
from sidekeep.measurements import Measurements
from sidekeep.model import Copy, Part, Plan, Sheet
from sidekeep.naming import folded
from sidekeep.steps.file import STEP, Settings

FLAC = Copy("", "flac", 44_100, 24)
AIFF = Copy("", "aiff", 44_100, 16)
FLAC_16 = Copy("", "flac", 44_100, 16)
NOTHING_SEEN = cast("Measurements", None)


def filed(draft: Plan, *copies: Copy, settings: Settings | None = None) -> Plan:
    draft = draft.with_sides(
        lambda side: replace(
            side, tracks=tuple(replace(track, copies=copies) for track in side.tracks)
        )
    )
    return STEP.decide(draft, NOTHING_SEEN, settings or Settings())


def paths(done: Plan) -> list[str]:
    return [copy.path for side in done.sides for track in side.tracks for copy in track.copies]


def test_an_album_lies_under_artist_and_title() -> None:
    done = filed(plan(), FLAC)
    folder = "Marlow and the Tide Tables/Low Water [SMA 014]"
    assert paths(done) == [f"{folder}/A1 Slack Water.flac", f"{folder}/A2 Ebb.flac"]
    assert done.master_path == f"{folder}/A.wav"


def test_without_a_sheet_the_job_gives_the_folder() -> None:
    done = filed(plan(side(None, ("Track 01", "Track 02")), of=Sheet(), name="Tape 7.WAV"), FLAC)
    assert paths(done) == ["20250301-a/1 Track 01.flac", "20250301-a/2 Track 02.flac"]
    assert done.master_path == "20250301-a/Tape 7.wav"


def test_what_the_recorder_wrote_stands_in_for_a_missing_sheet() -> None:
    draft = plan(of=Sheet())
    tags = {"artist": "Ida Marlow", "album": "Neap"}
    draft = replace(draft, recording=replace(draft.recording, tags=tags))
    assert paths(filed(draft, FLAC))[0] == "Ida Marlow/Neap/A1 Slack Water.flac"


def test_numbers_are_as_wide_as_the_side_needs() -> None:
    done = filed(plan(side("A", [f"T{n}" for n in range(1, 11)])), FLAC)
    assert paths(done)[0].endswith("/A01 T1.flac")
    assert paths(done)[9].endswith("/A10 T10.flac")


def test_both_sides_in_one_recording_name_one_master() -> None:
    done = filed(plan(side("A"), side("B", ("Neap",))), FLAC)
    assert done.master_path.endswith("/A+B.wav")
    assert paths(done)[2].endswith("/B1 Neap.flac")


def test_two_copies_of_one_format_lie_in_two_folders() -> None:
    done = filed(plan(side("A", ("Ebb",))), FLAC, AIFF, FLAC_16)
    assert [path.partition("/")[2] for path in paths(done)] == [
        "Low Water [SMA 014]/A1 Ebb.flac",
        "Low Water [SMA 014]/A1 Ebb.aiff",
        "Low Water [SMA 014] [16-44.1]/A1 Ebb.flac",
    ]


def test_a_format_in_the_pattern_separates_copies_by_itself() -> None:
    settings = Settings(tracks="{format}/{artist}/{title}/{count} {performer} - {track}")
    done = filed(plan(side("A", ("Ebb",))), FLAC, AIFF, settings=settings)
    assert paths(done) == [
        "flac/Marlow and the Tide Tables/Low Water/01 Marlow and the Tide Tables - Ebb.flac",
        "aiff/Marlow and the Tide Tables/Low Water/01 Marlow and the Tide Tables - Ebb.aiff",
    ]


def test_tracks_that_would_share_a_path_are_numbered() -> None:
    done = filed(plan(side("A", ("Ebb", "EBB", "Ebb?"))), FLAC, settings=Settings(tracks="{track}"))
    assert paths(done) == ["Ebb.flac", "EBB (2).flac", "Ebb (3).flac"]
    assert len({folded(path) for path in paths(done)}) == 3


def test_a_hostile_sheet_stays_inside_the_archive() -> None:
    bad = sheet(artist="../../etc", title="/", catalogue="..\\..", label="\x00")
    done = filed(plan(side("../A", ("/etc/passwd", "\u202e..")), of=bad), FLAC)
    for path in [*paths(done), done.master_path]:
        assert not path.startswith("/")
        assert not {"", ".", ".."} & set(path.split("/"))
        assert "\\" not in path
        assert path.count("/") == 2


def test_a_recording_in_several_files_is_named_after_the_first() -> None:
    draft = plan()
    parts = (Part("take_001.W64", 5, 30, "0" * 64), Part("take_002.W64", 5, 30, "1" * 64))
    draft = replace(draft, recording=replace(draft.recording, parts=parts))
    assert filed(draft, FLAC).master_path.endswith("/A.w64")


def test_a_wrong_pattern_is_refused_with_the_known_fields() -> None:
    with pytest.raises(ValueError, match=r"no field \{artits\}; known are artist, catalogue"):
        Settings(tracks="{artits}")
    with pytest.raises(ValueError, match=r"no field \{track\}"):
        Settings(masters="{track}")
