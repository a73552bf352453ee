"""Memory and descriptors over a long time, with faults now and then: they must not grow.

Once in this process, where a day passes on a clock that is turned and workers are played; once with a
real service and real workers, a job every few seconds.
"""

from __future__ import annotations

import gc
import os
import random
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

from reliability import census
from reliability.figures import Figure, scratch
from reliability.small_sides import SCENARIOS, recording, rules_for
from service_rig import Rig, rig_at
from sidekeep.service.states import State
from sidekeep.storage.folders import Root

JOB_EVERY_S = 60.0
DAY_JOBS, QUICK_JOBS = 1440, 60
MOST_OBJECTS = 0.1  # more with each job: one that is never forgotten keeps several
SECONDS, QUICK_SECONDS = 1200.0, 75.0
PAUSE_S = 4.0  # from one recording to the next
MOST_UNFINISHED = 3  # so that a slow machine is not buried in jobs
MOST_GROWN_MB = 1.0  # from the middle third of the time to the last, scaled to the whole
SEED = 1


def check(*, full: bool) -> Iterator[Figure]:
    """Let a day pass on the turned clock, then the real service work for some minutes."""
    yield day(DAY_JOBS if full else QUICK_JOBS)
    with scratch("soak") as folder:
        yield real_service(folder, SECONDS if full else QUICK_SECONDS)


# --- a day on a turned clock ----------------------------------------------------------------------


def day(jobs: int) -> Figure:
    """Send a job a minute through the engine, every few of them with a fault."""
    objects, descriptors = [], []
    with scratch("day") as folder:
        rig = rig_at(folder)
        for number in range(jobs):
            _job(rig, number)
            _forget_what_the_rig_keeps(rig)
            if number >= jobs // 3:
                objects.append(_objects())
                descriptors.append(_open_files("self"))
        counts = rig.ledger.counts()
        ended = counts[State.FILED] + counts[State.QUARANTINED] + counts[State.HELD]
        rig.die()
    grown = slope(objects)
    problems = [] if ended == jobs else [f"{ended} of {jobs} jobs came to an end: {counts}"]
    problems += [f"{grown:.2f} objects more with each job"] if grown > MOST_OBJECTS else []
    problems += (
        [f"from {descriptors[0]} to {descriptors[-1]} descriptors"]
        if descriptors[-1] > descriptors[0]
        else []
    )
    measured = (
        f"{ended} jobs ended; {grown:+.3f} objects a job; "
        f"{descriptors[0]} descriptors at first, {descriptors[-1]} at last"
    )
    wanted = f"all end; at most {MOST_OBJECTS:g} objects a job, no descriptor more"
    hours = jobs * JOB_EVERY_S / 3600.0
    return Figure(f"{hours:.1f} hours on a turned clock", wanted, measured, problems)


def _job(rig: Rig, number: int) -> None:
    """Drop a recording and play its worker; faults come in turns."""
    rig.drop(f"{number}.wav", frames=200)
    if number % 50 == 25:
        rig.root.archive.rename(rig.root.path / "away")
        rig.passes(20.0, step=5.0)
        (rig.root.path / "away").rename(rig.root.archive)
    rig.take_in(8.0)
    for job in rig.running():
        if number % 11 == 3:
            rig.end(job, code=None, signal="SIGSEGV")
            continue
        if number % 13 == 5:
            rig.result(job, "deferred", "The disk is full.")
        elif number % 17 == 7:
            rig.result(job, "held", "The sheet disagrees.")
        else:
            rig.verdict(job, "good", "A clean transfer.")
            rig.stage(job)
        rig.end(job)
    rig.passes(JOB_EVERY_S, step=15.0)
    for job in rig.running():  # those that were tried again
        rig.stage(job)
        rig.end(job)


def _forget_what_the_rig_keeps(rig: Rig) -> None:
    rig.lines.seek(0)
    rig.lines.truncate()
    rig.ended.clear()
    rig.executor.started.clear()


def _objects() -> int:
    """Count what the garbage collector follows; what is kept for ever shows up here."""
    gc.collect()
    return len(gc.get_objects())


def _open_files(process: int | str) -> int:
    return len(list(Path(f"/proc/{process}/fd").iterdir()))


def slope(values: Sequence[float]) -> float:
    """Give the least-squares slope, per value."""
    middle, mean = (len(values) - 1) / 2, sum(values) / len(values)
    above = sum((at - middle) * (value - mean) for at, value in enumerate(values))
    return above / sum((at - middle) ** 2 for at in range(len(values)))


# --- the real service -----------------------------------------------------------------------------


@dataclass
class Watched:
    """What was seen of a service."""

    at_s: list[float] = field(default_factory=list)
    memory_mb: list[float] = field(default_factory=list)
    descriptors: list[int] = field(default_factory=list)

    def look(self, service: int) -> None:
        """Read what memory the service has for itself, and its open descriptors (proc(5)).

        Its share of what it has in common with others would grow whenever another Python ends.
        """
        rolled_up = Path(f"/proc/{service}/smaps_rollup").read_text(encoding="ascii")
        self.memory_mb.append(
            int(re.findall(r"^Anonymous:\s+(\d+) kB", rolled_up, re.M)[0]) * 1024 / 1e6
        )
        self.descriptors.append(_open_files(service))
        self.at_s.append(time.monotonic())

    @property
    def grown_mb(self) -> float:
        """By how much the last third's median lies above the middle third's, scaled to the whole."""
        third = len(self.memory_mb) // 3
        return 1.5 * (median(self.memory_mb[-third:]) - median(self.memory_mb[third:-third]))


def real_service(folder: Path, seconds: float) -> Figure:
    """Run `sidekeep watch` with a recording every few seconds, and do what happens in a house."""
    root = Root(folder / "root")
    root.prepare()
    settings = folder / "settings.yaml"
    rules = rules_for(SCENARIOS[0], folder)
    settings.write_text(
        f"root: '{root.path}'\nrules: ['{rules}']\nsettle: 1 s\nfree space: 0 GB\n",
        encoding="utf-8",
    )
    command = [sys.executable, "-m", "sidekeep.cli.main", "watch", "--settings", str(settings)]
    whole = recording(folder).read_bytes()
    service = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    rng, watched, faults = random.Random(SEED), Watched(), 0
    dropped: list[str] = []
    try:
        until_s = time.monotonic() + seconds
        next_s = time.monotonic() + 2.0
        while time.monotonic() < until_s:
            time.sleep(0.5)
            if time.monotonic() < next_s or _unfinished(root) > MOST_UNFINISHED:
                continue
            next_s = time.monotonic() + PAUSE_S
            path = root.inbox / f"{len(dropped)}.wav"
            path.write_bytes(whole[:1000] + len(dropped).to_bytes(3, "little") + whole[1003:])
            dropped.append(census.sha256(path))
            if len(dropped) % 4 == 0:
                rng.choice(FAULTS)(root, service.pid)
                faults += 1
            watched.look(service.pid)
        problems = [] if _finished(root, len(dropped)) else ["not all jobs came to an end"]
        watched.look(service.pid)
    finally:
        service.send_signal(signal.SIGTERM)
        code = service.wait(timeout=60)
    problems += census.faults(root, dropped) + census.unfinished(root)
    problems += [] if code == 0 else [f"the service ended with {code}"]
    return _figure(seconds, watched, len(dropped), faults, problems)


def _figure(
    seconds: float, watched: Watched, jobs: int, faults: int, problems: list[str]
) -> Figure:
    hours = (watched.at_s[-1] - watched.at_s[0]) / 3600.0
    third = len(watched.descriptors) // 3
    open_at_last = median(watched.descriptors[-third:]) - median(watched.descriptors[third:-third])
    if watched.grown_mb > MOST_GROWN_MB:
        problems.append(f"memory grew: {[round(mb, 1) for mb in watched.memory_mb]}")
    if open_at_last > 0:
        problems.append(f"descriptors grew: {watched.descriptors}")
    measured = (
        f"{jobs} jobs, {faults} faults; {watched.memory_mb[-1]:.1f} MB, {watched.grown_mb:+.2f} MB in "
        f"{hours * 60:.0f} min; descriptors {min(watched.descriptors)} to {max(watched.descriptors)}, "
        f"{open_at_last:+g} in the last third"
    )
    wanted = f"nothing lost; at most {MOST_GROWN_MB:g} MB more, no descriptor more"
    return Figure(f"real service for {seconds / 60:.1f} minutes", wanted, measured, problems)


def _unfinished(root: Root) -> int:
    recordings = [path for path in root.inbox.glob("*.wav") if not path.is_symlink()]
    return len(recordings) + sum(path.is_dir() for path in root.work.iterdir())


def _finished(root: Root, jobs: int) -> bool:
    """Wait until all jobs have ended; those that were deferred come after a minute."""
    until_s = time.monotonic() + 240.0
    while time.monotonic() < until_s:
        places = (root.jobs, root.held, root.quarantine)
        if sum(path.is_dir() for place in places for path in place.iterdir()) >= jobs:
            return True
        time.sleep(0.5)
    return False


def _kill_a_worker(_root: Root, service: int) -> None:
    children = Path(f"/proc/{service}/task/{service}/children").read_text(encoding="ascii").split()
    for task in Path(f"/proc/{service}/task").iterdir():
        children += (task / "children").read_text(encoding="ascii").split()
    for child in children[:1]:
        os.kill(int(child), signal.SIGKILL)


def _take_the_archive_away(root: Root, _service: int) -> None:
    away = root.path / "archive away"
    root.archive.rename(away)
    time.sleep(1.0)
    away.rename(root.archive)


def _reload(_root: Root, service: int) -> None:
    os.kill(service, signal.SIGHUP)


def _look_now(_root: Root, service: int) -> None:
    os.kill(service, signal.SIGUSR1)


def _drop_what_is_no_audio(root: Root, _service: int) -> None:
    (root.inbox / "link.wav").unlink(missing_ok=True)
    (root.inbox / "link.wav").symlink_to("/etc/passwd")


FAULTS: tuple[Callable[[Root, int], None], ...] = (
    _kill_a_worker,
    _take_the_archive_away,
    _reload,
    _look_now,
    _drop_what_is_no_audio,
)
