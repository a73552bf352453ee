"""The audit, as a person runs it: bits flipped, files removed, added, edited and renamed."""

from __future__ import annotations

import json
import random
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from reliability.figures import Figure, scratch
from rotting import flip
from sidekeep.cli.exit_codes import DONE, NEEDS_PERSON
from sidekeep.storage.folders import Root
from sidekeep.storage.publish import publish
from storage.jobs_on_disk import put_in_work, seal

JOBS, TRACKS = 10, 19  # with the master twenty files a job
SEED = 1


@dataclass(frozen=True, slots=True)
class Audit:
    """What the command said."""

    code: int
    files: int
    conditions: dict[str, str]

    @property
    def counts(self) -> Counter[str]:
        """How many files are in which condition."""
        return Counter(self.conditions.values())


def archive_of(folder: Path, rng: random.Random) -> Root:
    """File ten jobs."""
    root = Root(folder / "root")
    root.prepare()
    for number in range(JOBS):
        job, recording = f"20310504-{number}", rng.randbytes(5000)
        put_in_work(root, job, recording)
        tracks = {f"music/{job}/{track:02d}.flac": rng.randbytes(700) for track in range(TRACKS)}
        seal(root, job, tracks, recording=recording)
        publish(root, job)
    return root


def audited(root: Root) -> Audit:
    """Run the command and read what it says."""
    command = [
        sys.executable,
        "-m",
        "sidekeep.cli.main",
        "audit",
        "--json",
        "--root",
        str(root.path),
    ]
    done = subprocess.run(command, capture_output=True, check=False)
    told = json.loads(done.stdout)
    conditions = {fault["path"]: fault["condition"] for fault in told["faults"]}
    return Audit(done.returncode, told["files"], conditions)


def rewrite(path: Path, data: bytes) -> None:
    """Change a file as an editor does."""
    path.chmod(0o644)
    path.write_bytes(data)


def filed_files(root: Root) -> list[Path]:
    """All tracks and masters."""
    return sorted(path for place in (root.music, root.masters) for path in place.rglob("*.*"))


def check(*, full: bool) -> Iterator[Figure]:
    """Audit a sound archive, a rotten one, and one that people have been at; quick as it is."""
    rng = random.Random(SEED)
    with scratch("audit") as folder:
        root = archive_of(folder, rng)
        yield _sound(root)
        yield _rotten(root, rng)
    with scratch("audit") as folder:
        yield _changed(archive_of(folder, rng))


def _sound(root: Root) -> Figure:
    told = audited(root)
    problems = [f"{path} is called {condition}" for path, condition in told.conditions.items()]
    problems += [] if told.code == DONE else [f"ended with {told.code}"]
    measured = f"{told.files} files, {len(told.conditions)} alarms, exit code {told.code}"
    return Figure("audit of a sound archive", f"0 alarms, exit code {DONE}", measured, problems)


def _rotten(root: Root, rng: random.Random) -> Figure:
    files = filed_files(root)
    for path in files:
        flip(path, rng)
    told = audited(root)
    flipped = {path.relative_to(root.archive).as_posix() for path in files}
    problems = [f"{path} was not found" for path in flipped - told.conditions.keys()]
    problems += [f"{path}: false alarm" for path in told.conditions.keys() - flipped]
    problems += [
        f"{path} is called {condition}"
        for path, condition in told.conditions.items()
        if condition != "rotten"
    ]
    problems += [] if told.code == NEEDS_PERSON else [f"ended with {told.code}"]
    measured = f"{told.counts['rotten']} of {len(files)} called rotten, exit code {told.code}"
    wanted = f"200 of 200, 0 false alarms, exit code {NEEDS_PERSON}"
    return Figure("audit after one bit flipped in each file", wanted, measured, problems)


def _changed(root: Root) -> Figure:
    """Do to ten files each what people do, and rot to ten more."""
    files, expected = iter(filed_files(root)), dict[str, str]()
    for number in range(10):
        ways = {"rotten": next(files), "edited": next(files), "missing": next(files)}
        ways |= {"moved": next(files), "unlisted": root.music / f"stray {number}.flac"}
        flip(ways["rotten"], random.Random(number))
        rewrite(ways["edited"], b"E" * 700)
        ways["missing"].unlink()
        ways["moved"].rename(ways["moved"].with_name(f"renamed {number}.flac"))
        ways["unlisted"].write_bytes(b"x" * 700)
        expected |= {path.relative_to(root.archive).as_posix(): way for way, path in ways.items()}
    told = audited(root)
    both = expected.keys() | told.conditions.keys()
    problems = [
        f"{path} is {expected.get(path, 'ok')}, called {told.conditions.get(path, 'ok')}"
        for path in sorted(both)
        if expected.get(path) != told.conditions.get(path)
    ]
    measured = ", ".join(f"{count} {name}" for name, count in sorted(told.counts.items()))
    wanted = "10 each of rotten, edited, missing, moved, unlisted, each called so"
    return Figure("audit after rot, edits, losses, moves, strays", wanted, measured, problems)
