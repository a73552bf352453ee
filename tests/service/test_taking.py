"""No recording is taken before it is whole, whoever writes it and however; and none is forgotten.

Writers act on real files at the times of a turned clock; pauses are drawn from a seeded generator.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from random import Random

import pytest

from service_rig import Rig, recording, rig_at
from sidekeep.service.wake import Mode

SEEDS = 1
SEEDS_IN_FULL = 100
WHOLE = recording(frames=3000, seed="whole")
LONG_AFTER_S = 200.0  # by then a whole recording has been taken in any mode


@dataclass
class Writer:
    """One way of writing a file; `seen` when the kernel tells who has it open."""

    rig: Rig
    chance: Random
    seen: bool

    @property
    def inbox(self) -> Path:
        return self.rig.root.inbox

    def open(self, name: str) -> None:
        self.rig.writing[name] = True if self.seen else None

    def close(self, name: str) -> None:
        self.rig.writing[name] = False if self.seen else None

    def pause_s(self) -> float:
        """A pause: any length while the open file is seen, else shorter than the settling time."""
        pauses_s = [0.1, 1.0, 5.0, 20.0]
        return self.chance.choice([*pauses_s, 45.0, 400.0] if self.seen else pauses_s)

    def chunks(self, content: bytes = WHOLE) -> Iterator[tuple[int, bytes]]:
        ends = sorted({self.chance.randrange(1, len(content)) for _ in range(6)} | {len(content)})
        start = 0
        for end in ends:
            yield start, content[start:end]
            start = end


Steps = Iterator[float]


def slow_copy(writer: Writer) -> Steps:
    path = writer.inbox / "A.wav"
    writer.open(path.name)
    with path.open("wb", buffering=0) as file:
        for _, chunk in writer.chunks():
            file.write(chunk)
            yield writer.pause_s()
    writer.close(path.name)


def recorder(writer: Writer) -> Steps:
    """The sizes in the header are zero until the end, as many recorders leave them."""
    path = writer.inbox / "A.wav"
    writer.open(path.name)
    head = bytearray(WHOLE[:44])
    head[4:8] = head[40:44] = bytes(4)
    with path.open("wb", buffering=0) as file:
        file.write(head)
        for _, chunk in writer.chunks(WHOLE[44:]):
            file.write(chunk)
            yield writer.chance.choice((0.5, 60.0, 150.0))
        file.seek(0)
        file.write(WHOLE[:44])
    writer.close(path.name)


def preallocated(writer: Writer) -> Steps:
    path = writer.inbox / "A.wav"
    writer.open(path.name)
    with path.open("wb", buffering=0) as file:
        file.truncate(len(WHOLE))
        for start, chunk in writer.chunks():
            file.seek(start)
            file.write(chunk)
            yield writer.pause_s()
    writer.close(path.name)


def temporary_name(writer: Writer) -> Steps:
    suffix = writer.chance.choice((".part", ".filepart", ".tmp", ".crdownload", "~"))
    path = writer.inbox / f"A.wav{suffix}"
    with path.open("wb", buffering=0) as file:
        for _, chunk in writer.chunks():
            file.write(chunk)
            yield writer.chance.choice((0.1, 45.0, 200.0))
    path.rename(writer.inbox / "A.wav")


def folder_moved_in(writer: Writer) -> Steps:
    outside = writer.rig.root.path / "outside"
    outside.mkdir()
    (outside / "A.wav").write_bytes(WHOLE)
    yield 1.0
    outside.rename(writer.inbox / "album")


def resumed_copy(writer: Writer) -> Steps:
    """Half of the file lies there closed and still for minutes; only its header tells."""
    path = writer.inbox / "A.wav"
    for start, chunk in writer.chunks():
        writer.open(path.name)
        with path.open("ab", buffering=0) as file:
            assert file.tell() == start
            file.write(chunk)
        writer.close(path.name)
        if start + len(chunk) < len(WHOLE):
            yield writer.chance.choice((1.0, 10.0, 60.0, 500.0)) if start else 100.0


def closed_between_chunks(writer: Writer) -> Steps:
    path = writer.inbox / "A.wav"
    for _, chunk in writer.chunks():
        with path.open("ab", buffering=0) as file:
            file.write(chunk)
        yield writer.chance.choice((0.1, 1.0, 2.0))


def old_dates(writer: Writer) -> Steps:
    """A copy that keeps dates, on a machine whose wall clock jumps about."""
    path = writer.inbox / "A.wav"
    writer.open(path.name)
    with path.open("wb", buffering=0) as file:
        for _, chunk in writer.chunks():
            file.write(chunk)
            os.utime(path, (writer.chance.randrange(2**31), writer.chance.randrange(2**31)))
            writer.rig.clock.wall += timedelta(days=writer.chance.randrange(-4000, 4000))
            yield writer.pause_s()
    writer.close(path.name)


WAYS: list[Callable[[Writer], Steps]] = [
    slow_copy,
    recorder,
    preallocated,
    temporary_name,
    folder_moved_in,
    resumed_copy,
    closed_between_chunks,
    old_dates,
]


def rehearse(
    path: Path, way: Callable[[Writer], Steps], seed: int, mode: str, *, seen: bool
) -> None:
    """Let one writer write; fail when its file is taken early, changed, or never."""
    rig = rig_at(path)
    every_s = 300.0 if mode == "events" else 5.0
    rig.events.mode = Mode(mode, "for the test", every_s)
    rig.engine.one_pass()
    writer = Writer(rig, Random(seed), seen)
    for pause_s in way(writer):
        _go_by(rig, pause_s, woken=mode == "events")
        assert not rig.events_logged("job.claimed"), f"taken early ({way.__name__}, seed {seed})"
    _go_by(rig, LONG_AFTER_S, woken=mode == "events")
    (claimed,) = rig.events_logged("job.claimed")
    taken = next((rig.root.work / claimed["job"] / "recording").iterdir())
    assert taken.read_bytes() == WHOLE
    rig.die()


def _go_by(rig: Rig, seconds: float, *, woken: bool) -> None:
    """Let time go by with the passes that the engine asks for, and one for the event."""
    until_s = rig.clock.monotonic + seconds
    pause_s = rig.engine.one_pass(woken=woken)
    while rig.clock.monotonic + pause_s < until_s:
        rig.clock.turn(pause_s)
        pause_s = rig.engine.one_pass()
    rig.clock.turn(until_s - rig.clock.monotonic)


@pytest.fixture(autouse=True)
def _nothing_needs_to_outlive_a_power_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "fsync", lambda _descriptor: None)


@pytest.mark.parametrize("seen", [True, False], ids=["writers seen", "writers unseen"])
@pytest.mark.parametrize("mode", ["events", "polling"])
@pytest.mark.parametrize("way", WAYS, ids=lambda way: way.__name__)
def test_nothing_is_taken_early(
    tmp_path: Path, way: Callable[[Writer], Steps], mode: str, *, seen: bool
) -> None:
    for seed in range(SEEDS):
        rehearse(tmp_path / str(seed), way, seed, mode, seen=seen)


@pytest.mark.full
@pytest.mark.parametrize("seen", [True, False], ids=["writers seen", "writers unseen"])
@pytest.mark.parametrize("mode", ["events", "polling"])
@pytest.mark.parametrize("way", WAYS, ids=lambda way: way.__name__)
def test_nothing_is_taken_early_in_a_hundred_runs(
    tmp_path: Path, way: Callable[[Writer], Steps], mode: str, *, seen: bool
) -> None:
    for seed in range(SEEDS_IN_FULL):
        rehearse(tmp_path / str(seed), way, seed, mode, seen=seen)


def test_the_rest_of_a_folder_is_waited_for(tmp_path: Path) -> None:
    """A sheet that comes last still reaches its recording."""
    rig = rig_at(tmp_path)
    rig.drop("album/A.wav")
    rig.drop("album/record.yaml.part", b"artist: Mar")
    rig.take_in(60)
    assert rig.executor.started == []
    assert rig.engine.status().waiting[0].why == "waiting for the rest of its folder"
    (rig.root.inbox / "album/record.yaml.part").unlink()
    rig.drop("album/record.yaml", b"artist: Marlow\n")
    rig.take_in(10)
    (job,) = rig.running()
    assert (rig.root.work / job / "sheet/record.yaml").exists()


def test_the_rest_of_a_folder_is_not_waited_for_for_ever(tmp_path: Path) -> None:
    rig = rig_at(tmp_path)
    rig.drop("album/A.wav")
    rig.drop("album/scan.tif.part", b"")
    rig.take_in(110)
    assert rig.executor.started == []
    rig.passes(30)
    assert len(rig.executor.started) == 1


def test_a_recording_in_the_inbox_itself_does_not_wait_for_others(tmp_path: Path) -> None:
    rig = rig_at(tmp_path)
    rig.drop("A.wav")
    rig.drop("letter.txt.part", b"")
    rig.take_in(8)
    assert len(rig.executor.started) == 1


def test_a_file_swapped_at_the_last_moment_is_left(tmp_path: Path) -> None:
    """What was judged and what would be moved must be one file."""
    rig = rig_at(tmp_path)
    rig.drop("A.wav")
    real_look = rig.engine.intake.look

    def look_then_swap(now_s: float) -> object:
        ready = real_look(now_s)
        if ready:
            rig.drop("A.wav", recording(seed="swapped"))
        return ready

    rig.engine.intake.look = look_then_swap  # type: ignore[method-assign, assignment]
    rig.take_in(5)
    assert rig.executor.started == []
    assert "changed" in rig.events_logged("inbox.not_claimed")[0]["why"]
    assert (rig.root.inbox / "A.wav").exists()
    rig.engine.intake.look = real_look  # type: ignore[method-assign]
    rig.passes(80)
    assert len(rig.executor.started) == 1
