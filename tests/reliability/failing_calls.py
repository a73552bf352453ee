"""The N-th call that changes files fails, for every N: full, quota, input/output error, read-only.

Every call below the root is failed, with each error; of many writes in a row to one file the first and
the last, of the ledger's every sixth. For the second and third rule set the errors take turns. The job
must wait, its stage must go, the recording must stay whole, and once the fault is gone all must come to
the end an undisturbed run comes to, by itself.
"""

from __future__ import annotations

import errno
import random
import shutil
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby

from reliability.figures import Figure, scratch
from reliability.forked_service import drained
from reliability.kills import PATIENCE_S, Bench
from reliability.small_sides import SCENARIOS
from reliability.tracing import Answer, Fail, Step, run_traced
from sidekeep.storage.folders import Root

ERRORS = (errno.ENOSPC, errno.EIO, errno.EROFS, errno.EDQUOT, errno.EFBIG)
WRITES = frozenset({"write", "pwrite64", "sendfile", "openat", "mkdir", "fsync", "ftruncate"})
RENAMES = frozenset({"rename", "renameat2", "fsync", "chmod", "unlink", "unlinkat", "rmdir"})
REMOVALS = frozenset({"unlink", "unlinkat", "rmdir"})
#: Which calls answer with which error: space runs out where something grows (man pages, section 2).
ANSWERS = {
    errno.ENOSPC: WRITES | RENAMES,
    errno.EDQUOT: WRITES | {"rename", "renameat2"},
    errno.EFBIG: frozenset({"write", "pwrite64", "sendfile", "ftruncate"}),
    errno.EIO: WRITES | RENAMES,
    errno.EROFS: WRITES | RENAMES,
}
WANTED = "deferred, stage removed, recording intact, finishes by itself when it is over"
CLAIMED_S = 2.0  # a recording that could not be claimed is left for the next start after that
QUICK = 1  # calls of one rule set, for each error
SEED = 1


@dataclass
class Outcome:
    """What came of many faults."""

    faults: int = 0
    ends: Counter[str] = field(default_factory=Counter)
    problems: list[str] = field(default_factory=list)


def failing(bench: Bench, step_number: int, error: int, *, from_then_on: bool) -> Outcome:
    """Fail one call, or it and all after it in the same place; then mend, start again, and judge."""
    outcome = Outcome()
    root = bench.fresh()
    struck: list[Step] = []

    def at_step(step: Step) -> Answer:
        if step.call not in ANSWERS[error]:
            return None
        if step.number == step_number or (from_then_on and step.number > step_number):
            struck.append(step)
            return Fail(error)
        return None

    def work() -> int:
        return drained(root.path, bench.rules, patience_s=CLAIMED_S)

    code = run_traced(work, root.path, at_step, PATIENCE_S)
    if not struck:
        shutil.rmtree(root.path)
        return outcome
    outcome.faults = 1
    first = struck[0]
    name = errno.errorcode[error]
    how = "from then on" if from_then_on else "once"
    where = f"{bench.scenario.name}, {name} {how} at {first.number} ({first.call} {first.path})"
    wrong = []
    if code is None or code not in (0, 1):
        wrong.append(f"the service ended with {code}")
    if list(root.quarantine.glob("*/")):
        wrong.append("the recording was put in quarantine for a fault of the machine")
    removing = first.call in REMOVALS and first.path.startswith("archive/.incoming/")
    if _has_unsealed_stage(root) and not (from_then_on or removing):  # it goes with the next try
        wrong.append("the stage was left")
    outcome.ends[_end(root)] += 1
    outcome.problems += [f"{where}: {each}" for each in wrong]
    outcome.problems += bench.judge(root, where)
    shutil.rmtree(root.path)
    return outcome


def _has_unsealed_stage(root: Root) -> bool:
    stages = [path for path in root.incoming.iterdir() if path.is_dir()]
    return any(not (stage / "publish.json").exists() for stage in stages)


def _end(root: Root) -> str:
    places = {"filed": root.jobs, "held": root.held, "quarantined": root.quarantine}
    for name, place in places.items():
        if any(path.is_dir() for path in place.iterdir()):
            return name
    return "waits in work" if any(p.is_dir() for p in root.work.iterdir()) else "waits in inbox"


def check(*, full: bool) -> Iterator[Figure]:
    """Fail every call with every error, or some; give a figure for each error and rule set."""
    rng = random.Random(SEED)
    with scratch("failing") as folder:
        first = Bench(SCENARIOS[0], folder)
        for error in ERRORS:
            points = [step.number for step in _ends(first.steps) if step.call in ANSWERS[error]]
            chosen = points if full else rng.sample(points, QUICK)
            faults = [(point, error) for point in chosen]
            yield _figure(f"{errno.errorcode[error]} at every call", first, faults, rng)
        for scenario in SCENARIOS[1:] if full else ():
            bench = Bench(scenario, folder)
            yield _figure("one error after the other", bench, list(_in_turn(bench.steps)), rng)


def _in_turn(steps: Sequence[Step]) -> Iterator[tuple[int, int]]:
    """Give each call one of the errors that it may answer with, in turn."""
    for number, step in enumerate(_ends(steps)):
        errors = [error for error in ERRORS if step.call in ANSWERS[error]]
        if errors:
            yield step.number, errors[number % len(errors)]


def _ends(steps: Sequence[Step]) -> Iterator[Step]:
    """Of calls in a row that do the same to the same file take the first and the last.

    Of those on the ledger, which is only an index, take every sixth.
    """
    ends = []
    for _, run in groupby(steps, lambda step: (step.call, step.path, step.process)):
        alike = list(run)
        ends += alike if len(alike) < 3 else [alike[0], alike[-1]]
    ledger = [step for step in ends if step.path.startswith("state/ledger")]
    left_out = {step.number for at, step in enumerate(ledger) if at % 6}
    yield from (step for step in ends if step.number not in left_out)


def _figure(
    what: str, bench: Bench, faults: Sequence[tuple[int, int]], rng: random.Random
) -> Figure:
    total = Outcome()
    for point, error in faults:
        lasting = error in (errno.ENOSPC, errno.EROFS) and rng.random() < 0.5
        done = failing(bench, point, error, from_then_on=lasting)
        total.faults += done.faults
        total.ends += done.ends
        total.problems += done.problems
    ends = ", ".join(f"{count} {end}" for end, count in total.ends.most_common())
    measured = f"{total.faults} of {len(faults)} faults: {len(total.problems)} problems"
    return Figure(
        f"{what}, {bench.scenario.name}",
        WANTED,
        measured,
        total.problems,
        f"while the fault lasted: {ends}",
    )
