"""Which files are parts of one recording."""

from __future__ import annotations

from sidekeep.service.grouping import SMALLEST_FULL_PART, recordings_of
from sidekeep.service.inbox import Seen, Stamp
from sidekeep.service.names import kind_of

FULL = 2_147_483_648


def grouped(*files: tuple[str, int]) -> list[list[str]]:
    seen = [
        Seen(path, kind_of(path.rpartition("/")[2]), Stamp(1, number, size, 0))
        for number, (path, size) in enumerate(files)
    ]
    return [[part.path for part in parts] for parts in recordings_of(seen)]


def test_full_parts_whose_names_count_on_are_one_recording() -> None:
    parts = [("low-001.wav", FULL), ("low-002.wav", FULL - 4096), ("low-003.wav", 70_000_000)]
    assert grouped(*parts) == [["low-001.wav", "low-002.wav", "low-003.wav"]]


def test_numbered_sides_are_recordings_of_their_own() -> None:
    sides = [("side 01.wav", 700_000_000), ("side 02.wav", 650_000_000)]
    assert grouped(*sides) == [["side 01.wav"], ["side 02.wav"]]


def test_two_large_sides_of_different_size_stay_apart() -> None:
    sides = [("low-01.wav", SMALLEST_FULL_PART), ("low-02.wav", SMALLEST_FULL_PART + (2 << 20))]
    assert grouped(*sides) == [["low-01.wav"], ["low-02.wav"]]


def test_a_gap_in_the_count_ends_a_recording() -> None:
    parts = [("low-001.wav", FULL), ("low-003.wav", FULL)]
    assert grouped(*parts) == [["low-001.wav"], ["low-003.wav"]]


def test_other_folders_names_and_formats_stay_apart() -> None:
    files = [("a/low-001.wav", FULL), ("b/low-002.wav", 10), ("b/low-003.flac", 10)]
    assert len(grouped(*files)) == 3


def test_only_recordings_are_grouped() -> None:
    assert grouped(("cover.jpg", 10), ("low.wav", 10), ("record.yaml", 10)) == [["low.wav"]]
