"""Programs that write into the inbox in every way they do; no recording may be taken before its time.

The service's engine runs on a clock that is turned, so that a copy of an hour takes a moment. Files,
leases and headers are real. With events the engine looks after every change, with polling only when
its timer says so; both with writers seen and unseen, as on a network share, where nobody can tell who
has a file open.
"""

from __future__ import annotations

import io
import os
import random
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import timedelta
from itertools import product
from pathlib import Path
from typing import BinaryIO

import numpy as np
import soundfile

from reliability.figures import Figure, scratch
from service_rig import Rig, rig_at
from sidekeep.preferences import Preferences
from sidekeep.service.wake import Mode
from sidekeep.storage.lease import is_open_for_writing

QUICK, FULL = 1, 100  # runs of each writer in each of four ways
SEED = 1
LONGEST_S = 1800.0  # after the last write everything must have been taken
SETTINGS = Preferences()
KINDS = ("wav", "aiff", "flac", "w64", "caf")
POLLING = Mode("polling", "for the check", SETTINGS.poll_every_s)


@dataclass
class Desk:
    """Where a writer works: it moves time on by waiting, and others look meanwhile."""

    rig: Rig
    rng: random.Random
    polling: bool
    seen: bool
    kind: str
    data: bytes
    claimed_early: list[str] = field(default_factory=list)
    done: bool = False

    @property
    def inbox(self) -> Path:
        """Where recordings are dropped."""
        return self.rig.root.inbox

    def wait(self, seconds: float) -> None:
        """Let time go by, with passes of the service."""
        until_s = self.rig.clock.monotonic + seconds
        pause_s = self.rig.engine.one_pass(woken=not self.polling)
        while self.rig.clock.monotonic + pause_s < until_s:
            self.rig.clock.turn(pause_s)
            pause_s = self.rig.engine.one_pass()
        self.rig.clock.turn(until_s - self.rig.clock.monotonic)
        if not self.done:  # what is no recording yet would be put in quarantine at once
            put_away = [path.name for path in self.rig.root.quarantine.glob("*/")]
            self.claimed_early += [*self.rig.executor.started, *put_away]

    def brief_s(self) -> float:
        """Draw a pause shorter than what settles."""
        longest_s = SETTINGS.settle_s if self.seen else SETTINGS.settle_unseen_s
        return self.rng.uniform(0.02, 0.9) * longest_s

    def long_s(self) -> float:
        """Draw a pause of twice what settles and more, up to nine minutes."""
        return self.rng.uniform(2.0 * SETTINGS.settle_unseen_s, 540.0)

    def chunks(self) -> Iterator[bytes]:
        """Cut the recording into a few pieces of any length."""
        count = self.rng.randint(2, 8)
        cuts = sorted(self.rng.sample(range(1, len(self.data)), count))
        for start, end in zip((0, *cuts), (*cuts, len(self.data)), strict=True):
            yield self.data[start:end]


Writer = Callable[[Desk], None]


def slow_copy(desk: Desk) -> None:
    """Copy with brief pauses, the file open all the time."""
    with (desk.inbox / f"A.{desk.kind}").open("wb") as file:
        _written(desk, file, desk.brief_s)


def long_pauses(desk: Desk) -> None:
    """Copy with pauses of minutes; the header gives the final size from the start."""
    with (desk.inbox / f"A.{desk.kind}").open("wb") as file:
        _written(desk, file, desk.long_s)


def closed_between(desk: Desk) -> None:
    """Close the file after every piece and open it anew, with pauses of minutes."""
    path = desk.inbox / f"A.{desk.kind}"
    for number, chunk in enumerate(desk.chunks()):
        if number:
            desk.wait(desk.long_s())
        with path.open("ab") as file:
            file.write(chunk)


def preallocated(desk: Desk) -> None:
    """Set the whole size first, as some copying programs do, then fill it."""
    with (desk.inbox / f"A.{desk.kind}").open("wb") as file:
        file.truncate(len(desk.data))
        desk.wait(desk.brief_s())
        _written(desk, file, desk.brief_s)


def header_last(desk: Desk) -> None:
    """Record: sizes in the header are zero, or as large as can be, until the recorder is stopped."""
    empty = desk.rng.choice((b"\0\0\0\0", b"\xff\xff\xff\xff"))
    begun = desk.data[:4] + empty + desk.data[8:40] + empty + desk.data[44:]
    with (desk.inbox / f"A.{desk.kind}").open("wb") as file:
        for start in range(0, len(begun), len(begun) // 5 + 1):
            file.write(begun[start : start + len(begun) // 5 + 1])
            file.flush()
            desk.wait(desk.long_s() if start else desk.brief_s())
        file.seek(0)
        file.write(desk.data[:44])


def temporary_name(desk: Desk) -> None:
    """Write under another name, as browsers, file transfers and rsync do, and rename at the end."""
    name = desk.rng.choice(("A.wav.part", ".A.wav.Xq3ZbR", "A.wav.crdownload", ".A.wav", "~A.tmp"))
    path = desk.inbox / name
    with path.open("wb") as file:
        _written(desk, file, desk.long_s)
    path.rename(desk.inbox / f"A.{desk.kind}")


def folder_moved_in(desk: Desk) -> None:
    """Build a folder elsewhere and move it in; more of it follows after a moment."""
    outside = desk.rig.root.path / "outside"
    (outside / "deep").mkdir(parents=True)
    (outside / "deep" / f"A.{desk.kind}").write_bytes(desk.data[: len(desk.data) // 2])
    outside.rename(desk.inbox / "moved")
    desk.wait(desk.brief_s())
    with (desk.inbox / "moved" / "deep" / f"A.{desk.kind}").open("ab") as file:
        file.write(desk.data[len(desk.data) // 2 :])


def resumed_copy(desk: Desk) -> None:
    """Lose the connection half way, and go on minutes later."""
    path = desk.inbox / f"A.{desk.kind}"
    half = desk.rng.randrange(1, len(desk.data))
    path.write_bytes(desk.data[:half])
    desk.wait(desk.long_s())
    with path.open("r+b") as file:
        file.seek(half)
        file.write(desk.data[half:])


def clock_jumps(desk: Desk) -> None:
    """Set the wall clock by hours and years, and files' times to long ago and to come."""
    path = desk.inbox / f"A.{desk.kind}"
    with path.open("wb") as file:
        for chunk in desk.chunks():
            file.write(chunk)
            file.flush()
            jump = timedelta(hours=desk.rng.choice((-1, 1, -24 * 3652, 24 * 3652)))
            desk.rig.clock.wall += jump
            os.utime(path, (desk.rng.choice((0, 2**31, 4e9)),) * 2)
            desk.wait(desk.brief_s())


WRITERS: dict[str, Writer] = {
    "slow copy": slow_copy,
    "pauses of minutes, file open": long_pauses,
    "pauses of minutes, file closed": closed_between,
    "size set first": preallocated,
    "header written last": header_last,
    "temporary name, then rename": temporary_name,
    "folder moved in": folder_moved_in,
    "resumed copy": resumed_copy,
    "clock jumps": clock_jumps,
}


def _written(desk: Desk, file: BinaryIO, pause_s: Callable[[], float]) -> None:
    for chunk in desk.chunks():
        file.write(chunk)
        file.flush()
        desk.wait(pause_s())


class _Leases(dict[str, bool | None]):
    """Asks the system who writes, by path below the inbox; on a share nobody knows."""

    def __init__(self, inbox: Path, seen: bool) -> None:
        super().__init__()
        self._inbox, self._seen = inbox, seen

    def get(self, name: str, _default: object = None) -> bool | None:
        paths = list(self._inbox.rglob(name))
        return is_open_for_writing(paths[0]) if self._seen and paths else None


def sound(kind: str, rng: random.Random) -> bytes:
    """Make a recording of noise, as a file's bytes."""
    noise = np.random.default_rng(rng.randrange(1 << 32)).normal(
        0.0, 0.1, (rng.randint(400, 9000), 2)
    )
    made = io.BytesIO()
    soundfile.write(made, noise, 44_100, format=kind.upper(), subtype="PCM_16")
    return made.getvalue()


def written(
    writer: Writer, folder: Path, rng: random.Random, *, polling: bool, seen: bool
) -> list[str]:
    """Let one writer write one recording; say what is wrong."""
    rig = rig_at(folder, settle_s=SETTINGS.settle_s, settle_unseen_s=SETTINGS.settle_unseen_s)
    rig.writing = _Leases(rig.root.inbox, seen)
    if polling:
        rig.events.mode = POLLING
    kind = "wav" if writer is header_last else rng.choice(KINDS)
    desk = Desk(rig, rng, polling, seen, kind, sound(kind, rng))
    desk.wait(rng.uniform(0.1, 5.0))
    with suppress(FileNotFoundError):  # the half that was written is gone
        writer(desk)
    desk.done = True
    until_s = rig.clock.monotonic_s() + LONGEST_S
    while not rig.executor.started and rig.clock.monotonic_s() < until_s:
        desk.wait(10.0)
    problems = ["was taken early"] if desk.claimed_early else []
    taken = [path.read_bytes() for path in rig.root.work.glob("*/recording/*")]
    if not desk.claimed_early and taken != [desk.data]:
        problems.append("was not taken whole in the end")
    rig.die()
    return problems


def check(*, full: bool) -> Iterator[Figure]:
    """Let every writer write many times; give a figure for each."""
    rng = random.Random(SEED)
    runs = FULL if full else QUICK
    for name, writer in WRITERS.items():
        problems = []
        for polling, seen in product((False, True), (True, False)):
            how = f"{'polling' if polling else 'events'}, writer {'seen' if seen else 'unseen'}"
            for run in range(runs):
                with scratch("writers") as folder:
                    wrong = written(writer, folder, rng, polling=polling, seen=seen)
                    problems += [f"{name}, {how}, run {run}: the recording {w}" for w in wrong]
        early = sum("early" in problem for problem in problems)
        measured = f"{early} taken early of {runs} each, events and polling, seen and unseen"
        yield Figure(f"writer: {name}", "0 taken early", measured, problems)
