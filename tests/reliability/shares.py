"""The inbox or the archive goes away in the middle of a job, leaves an empty folder, and comes back.

So it looks when a share drops off: the mount point is there, and nothing in it. Also, where root may
mount, the disk with the whole root is unmounted under the running service.
"""

from __future__ import annotations

import random
import subprocess
import threading
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from reliability import power
from reliability.figures import Figure, scratch
from reliability.forked_service import drained, in_a_fork
from reliability.kills import PATIENCE_S, Bench
from reliability.small_sides import SCENARIOS, fill
from reliability.tracing import Answer, Step, run_traced
from sidekeep.service.status import STATUS_NAME, read_status
from sidekeep.storage.folders import Root

AWAY_S = 1.0
WANTED = "nothing in quarantine, nothing done twice, the status says what is missing"
QUICK, FULL = 1, 20  # absences of each folder, for each rule set
SEED = 1
GONE = {
    "inbox": ("inbox",),
    "archive": ("archive",),
    "all folders": ("inbox", "work", "held", "quarantine", "archive"),
}


@dataclass
class Outcome:
    """What came of many absences."""

    absences: int = 0
    told: int = 0
    ends: Counter[str] = field(default_factory=Counter)
    problems: list[str] = field(default_factory=list)


class Absence:
    """Takes folders away, and brings them back after a while."""

    def __init__(self, root: Root, names: tuple[str, ...]) -> None:
        self._root, self._names = root, names
        self._thread = threading.Thread(target=self._return_later)
        self.offline = ""
        self.advised = False

    def begin(self) -> None:
        """Take them away now."""
        for name in self._names:
            place = self._root.path / name
            place.rename(self._away(name))
            place.mkdir()
        self._thread.start()

    def end(self) -> None:
        """Wait until they are back."""
        if self._thread.ident is not None:
            self._thread.join()

    def _return_later(self) -> None:
        time.sleep(AWAY_S)
        status = read_status(self._root.state / STATUS_NAME)
        self.offline = status.offline if status else ""
        for name in self._names:
            place = self._root.path / name
            subprocess.run(["rm", "-rf", place], check=True)
            self._away(name).rename(place)

    def _away(self, name: str) -> Path:
        return self._root.path / f"{name} away"


def absent(bench: Bench, point: int, gone: str, outcome: Outcome) -> None:
    """Let folders vanish before the N-th call; afterwards judge, and look that nothing was done twice."""
    root = bench.fresh()
    absence = Absence(root, GONE[gone])

    def at_step(step: Step) -> Answer:
        if step.number == point:
            absence.begin()
        return None

    code = run_traced(lambda: bench.drain(root), root.path, at_step, PATIENCE_S)
    absence.end()
    outcome.absences += 1
    step = bench.steps[min(point, len(bench.steps) - 1)]
    where = f"{bench.scenario.name}, {gone} away before {point} ({step.call} {step.path})"
    if code not in (0, 1):
        outcome.problems.append(f"{where}: the service ended with {code}")
    if absence.offline:
        outcome.told += 1
        if not any(name in absence.offline for name in GONE[gone]):
            outcome.problems.append(f"{where}: the status says only {absence.offline!r}")
    if any(path.is_dir() for path in root.quarantine.iterdir()):
        outcome.problems.append(f"{where}: something was put in quarantine")
    outcome.problems += bench.judge(root, where)
    jobs = [path.name for path in (*root.jobs.iterdir(), *root.held.glob("2*/"))]
    if len(jobs) != 1:
        outcome.problems.append(f"{where}: there are {len(jobs)} jobs: {jobs}")
    subprocess.run(["rm", "-rf", root.path], check=True)


def unmounted(folder: Path, delays_s: list[float]) -> Outcome:
    """Unmount the disk with the whole root while a job runs, and mount it again."""
    outcome = Outcome()
    scenario = SCENARIOS[0]
    bench = Bench(scenario, folder)
    for delay_s in delays_s:
        image, point = folder / "image", folder / "disk"
        power.make_image(image)
        with power.mounted(image, point):
            root = Root(point / "root")
            root.prepare()
            fill(root.inbox, scenario, folder)
            thread = threading.Thread(target=_remount, args=(image, point, delay_s))
            thread.start()
            code = in_a_fork(partial(drained, root.path, bench.rules))
            thread.join()
            outcome.absences += 1
            outcome.ends[str(code)] += 1
            if any(path.is_dir() for path in root.quarantine.iterdir()):
                outcome.problems.append(f"unmounted after {delay_s:.2f} s: something in quarantine")
            outcome.problems += bench.judge(root, f"unmounted after {delay_s:.2f} s")
    return outcome


def _remount(image: Path, point: Path, delay_s: float) -> None:
    time.sleep(delay_s)
    subprocess.run(["umount", "--lazy", point], check=True)
    time.sleep(AWAY_S)
    # The old mount may still be held open; mounting the same image beside it shows the same disk.
    subprocess.run(["mount", "-o", "loop", image, point], check=True)


def check(*, full: bool) -> Iterator[Figure]:
    """Let the folders go away at many calls; give a figure for each folder and rule set."""
    rng = random.Random(SEED)
    with scratch("shares") as folder:
        for scenario in SCENARIOS if full else SCENARIOS[:1]:
            bench = Bench(scenario, folder)
            points = [step.number for step in bench.steps if not step.path.startswith("state/")]
            for gone in GONE:
                outcome = Outcome()
                for point in sorted(rng.sample(points, FULL if full else QUICK)):
                    absent(bench, point, gone, outcome)
                yield _figure(f"{gone} gone and back, {scenario.name}", outcome)
        why_not = power.possible()
        if why_not:
            yield Figure("disk unmounted under a job", WANTED, "", not_done=why_not)
        else:
            delays_s = [rng.uniform(0.0, 0.5) for _ in range(FULL if full else QUICK)]
            yield _figure("disk unmounted under a job", unmounted(folder, delays_s))


def _figure(what: str, outcome: Outcome) -> Figure:
    # The status lies on the disk itself when all of it goes.
    told = f", {outcome.told} seen in the status" if outcome.told else ""
    measured = f"{outcome.absences} absences{told}: {len(outcome.problems)} problems"
    return Figure(what, WANTED, measured, outcome.problems)
