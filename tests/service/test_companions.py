"""Which sheet and cover belong to a recording."""

from __future__ import annotations

from sidekeep.service.companions import companions_of
from sidekeep.service.inbox import Seen, Stamp
from sidekeep.service.names import kind_of


def files(*paths: str) -> list[Seen]:
    return [Seen(p, kind_of(p.rpartition("/")[2]), Stamp(1, 1, 1, 1)) for p in paths]


def test_a_lone_recording_has_none() -> None:
    (recording, *_) = files("A.wav")
    found = companions_of(recording, [recording])
    assert found.files == ()
    assert not found.sheet_is_shared


def test_its_own_sheet_comes_before_the_folders() -> None:
    everything = files("low/A.wav", "low/a.YAML", "low/record.yaml", "low/A.png", "low/cover.jpg")
    found = companions_of(everything[0], everything)
    assert [seen.path for seen in found.files] == ["low/a.YAML", "low/A.png"]
    assert not found.sheet_is_shared
    assert not found.cover_is_shared


def test_the_folders_serve_all_sides() -> None:
    everything = files("low/A.wav", "low/B.wav", "low/record.yml", "low/Folder.JPG")
    for recording in everything[:2]:
        found = companions_of(recording, everything)
        assert [seen.path for seen in found.files] == ["low/record.yml", "low/Folder.JPG"]
        assert found.sheet_is_shared
        assert found.cover_is_shared


def test_other_folders_and_other_names_do_not_count() -> None:
    everything = files("low/A.wav", "record.yaml", "high/A.yaml", "low/B.yaml", "low/label.jpg")
    assert companions_of(everything[0], everything).files == ()
