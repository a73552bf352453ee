"""Jobs made of small files, and a census of where every recording is; for the storage tests."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from sidekeep.storage.folders import Root
from sidekeep.storage.order import Order, write_order
from sidekeep.storage.stage import Master, Stage

RECORDING = b"the groove, bit for bit " * 40
TRACKS = {
    "music/Marlow/Low Water/A1 Ebb.flac": b"ebb" * 500,
    "music/Marlow/Low Water/A2.flac": b"2",
}
MASTER = "masters/Marlow/Low Water/A.wav"


@dataclass(frozen=True)
class Stamp:
    """How a file looks."""

    device: int
    inode: int
    size: int
    mtime_ns: int


def stamp_of(path: Path) -> Stamp:
    status = path.lstat()
    return Stamp(status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns)


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def put_in_work(root: Root, job: str, recording: bytes = RECORDING) -> None:
    home = root.work / job
    (home / "recording").mkdir(parents=True)
    (home / "recording" / "A.wav").write_bytes(recording)
    (home / "log.jsonl").write_text("{}\n")
    write_order(home, Order(job, "club/A.wav", "club", ("recording/A.wav",)))


def seal(
    root: Root,
    job: str,
    tracks: dict[str, bytes] | None = None,
    masters: tuple[Master, ...] | None = None,
    supersedes: str | None = None,
    recording: bytes = RECORDING,
) -> tuple[str, ...]:
    """Build and seal the stage of a job in work; give the tracks' final paths."""
    stage = Stage(root, job, supersedes)
    stage.open()
    tracks = TRACKS if tracks is None else tracks
    paths = stage.places(tracks)
    for path, data in zip(paths, tracks.values(), strict=True):
        stage.path_of(path).write_bytes(data)
    (stage.notes / "plan.yaml").write_text(f"job: {job}\n")
    if masters is None:
        (place,) = stage.places([MASTER])
        masters = (Master(f"work/{job}/recording/A.wav", place, sha256(recording)),)
    stage.seal(masters)
    return paths


def tree(root: Root) -> dict[str, str]:
    """Every file below the root with its hash, but markers and the facts (which hold times)."""
    return {
        path.relative_to(root.path).as_posix(): sha256(path.read_bytes())
        for path in sorted(root.path.rglob("*"))
        if path.is_file() and path.name not in {".sidekeep", "facts.json"}
    }


def places_of(root: Root, recording: bytes) -> list[str]:
    """Where a recording's bytes are; each file counts once, however many names it has."""
    wanted = sha256(recording)
    found = {
        (root.path / path).stat().st_ino: path
        for path, digest in tree(root).items()
        if digest == wanted
    }
    return sorted(found.values())
