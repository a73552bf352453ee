"""Files that a recorder cut: joined where their places in the day meet to the frame."""

from __future__ import annotations

from pathlib import Path

from sidekeep.service.grouping import recordings_of
from sidekeep.service.inbox import look
from sidekeep.service.timelines import Timelines
from storage.audio_files import bext, chunk, fmt, riff

FRAMES = 1000
MORNING = 48_000 * 3600 * 9


def part(path: Path, start: int, frames: int = FRAMES) -> None:
    """Write a 16-bit stereo file that begins at that frame of its day."""
    data = chunk(b"data", bytes([frames % 250, 1]) * 2 * frames)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(riff(bext("side", reference=start), fmt(bits=16), data))


def joined(inbox: Path) -> list[list[str]]:
    groups = Timelines(inbox).joined(recordings_of(look(inbox).files))
    return [[seen.path for seen in parts] for parts in groups]


def test_files_that_meet_to_the_frame_are_one_recording_whatever_their_names(
    tmp_path: Path,
) -> None:
    # EBU Tech 3285 v2: TimeReference is the first sample count since midnight.
    part(tmp_path / "b.wav", MORNING)
    part(tmp_path / "a.wav", MORNING + FRAMES)
    part(tmp_path / "c.wav", MORNING + 2 * FRAMES, 400)
    assert joined(tmp_path) == [["b.wav", "a.wav", "c.wav"]]


def test_a_frame_apart_is_another_recording(tmp_path: Path) -> None:
    part(tmp_path / "a.wav", MORNING)
    part(tmp_path / "b.wav", MORNING + FRAMES + 1)
    assert joined(tmp_path) == [["a.wav"], ["b.wav"]]


def test_other_folders_and_files_without_a_place_stay_apart(tmp_path: Path) -> None:
    part(tmp_path / "x" / "a.wav", MORNING)
    part(tmp_path / "y" / "b.wav", MORNING + FRAMES)
    part(tmp_path / "z" / "c.wav", 0)
    part(tmp_path / "z" / "d.wav", 0)
    assert joined(tmp_path) == [["x/a.wav"], ["y/b.wav"], ["z/c.wav"], ["z/d.wav"]]


def test_a_file_that_is_still_growing_is_looked_at_again(tmp_path: Path) -> None:
    timelines = Timelines(tmp_path)
    part(tmp_path / "a.wav", MORNING, 500)
    part(tmp_path / "b.wav", MORNING + FRAMES)
    groups = recordings_of(look(tmp_path).files)
    assert len(timelines.joined(groups)) == 2
    part(tmp_path / "a.wav", MORNING, FRAMES)
    groups = recordings_of(look(tmp_path).files)
    assert len(timelines.joined(groups)) == 1
