"""SIGKILL at every system call that changes files, at random moments, and during recovery."""

from __future__ import annotations

import os
import random
import signal
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from reliability import census
from reliability.figures import Figure, scratch
from reliability.forked_service import drained, forked, in_a_fork, rule_sets_of
from reliability.small_sides import SCENARIOS, Scenario, fill, recording, rules_for
from reliability.tracing import KILL, Answer, Step, run_traced
from sidekeep.storage.folders import Root

PATIENCE_S = 300.0
AT_ONCE = 4  # recordings in the inbox for random kills
WANTED = "0 lost, 0 doubled, 0 partial; after restart the bytes of an undisturbed run"
SEED = 1


@dataclass(frozen=True, slots=True)
class Size:
    """How much is done: calls of each rule set (all when None), random kills, kills of recoveries."""

    points: int | None
    random: int
    twice: int


QUICK, FULL = Size(2, 2, 1), Size(None, 200, 20)


@dataclass
class Outcome:
    """What became of many kills."""

    kills: int = 0
    calls: Counter[str] = field(default_factory=Counter)
    victims: Counter[str] = field(default_factory=Counter)
    problems: list[str] = field(default_factory=list)


class Bench:
    """One scenario: its rule set, a way to begin anew, and what an undisturbed run gives."""

    def __init__(self, scenario: Scenario, folder: Path, sides: int = 1) -> None:
        self.scenario, self.folder = scenario, folder
        self.rules = rules_for(scenario, folder)
        rule_sets_of(str(self.rules))
        self._sides = [recording(folder, 7 + number) for number in range(sides)]
        self.dropped = [census.sha256(path) for path in self._sides]
        root = self.fresh()
        steps: list[Step] = []
        code = run_traced(lambda: self.drain(root), root.path, steps.append, PATIENCE_S)
        self.steps = steps
        self.undisturbed = census.filed(root)
        wrong = census.faults(root, self.dropped) + census.unfinished(root)
        place = root.jobs if scenario.outcome == "filed" else root.held
        jobs = [path for path in place.iterdir() if path.is_dir()]
        if code != 0 or wrong or len(jobs) != sides:
            raise RuntimeError(f"{scenario.name}: the undisturbed run fails: {code} {wrong} {jobs}")

    def fresh(self) -> Root:
        """Give a root with the recordings in its inbox."""
        root = Root(Path(tempfile.mkdtemp(prefix="root-", dir=self.folder)))
        root.prepare()
        fill(root.inbox, self.scenario, self.folder)
        for number, path in enumerate(self._sides[1:], start=1):
            (root.inbox / f"{'ABCDEFGH'[number]}.wav").write_bytes(path.read_bytes())
        return root

    def drain(self, root: Root) -> int:
        """Empty the inbox, in this process."""
        return drained(root.path, self.rules)

    def judge(self, root: Root, where: str) -> list[str]:
        """Start again, let it come to its end, and say what is wrong then."""
        wrong = census.faults(root, self.dropped)  # at the moment of death
        code = in_a_fork(lambda: self.drain(root))
        if code != 0:
            wrong.append(f"draining after it ended with {code}")
        wrong += census.faults(root, self.dropped)
        wrong += census.unfinished(root)
        wrong += census.differences(census.filed(root), self.undisturbed)
        return [f"{self.scenario.name}, {where}: {each}" for each in wrong]


def at_every_call(bench: Bench, points: Iterable[int]) -> Outcome:
    """Kill the process that makes the N-th call, for each N; then start again and judge."""
    outcome = Outcome()
    for point in points:
        root = bench.fresh()
        struck: list[Step] = []

        def at_step(step: Step, point: int = point, struck: list[Step] = struck) -> Answer:
            if step.number != point:
                return None
            struck.append(step)
            return KILL

        run_traced(partial(bench.drain, root), root.path, at_step, PATIENCE_S)
        if not struck:
            continue  # threads took turns otherwise, and there were fewer calls this time
        outcome.kills += 1
        outcome.calls[struck[0].call] += 1
        outcome.victims["worker" if struck[0].process else "service"] += 1
        where = f"killed at call {point} ({struck[0].call} {struck[0].path})"
        outcome.problems += bench.judge(root, where)
        _remove(root)
    return outcome


def at_random(bench: Bench, times: int, rng: random.Random, *, twice: bool = False) -> Outcome:
    """Kill the service or a worker at a random moment; with `twice` the recovery is killed too."""
    outcome = Outcome()
    root = bench.fresh()
    began = time.monotonic()
    in_a_fork(lambda: bench.drain(root))
    longest_s = time.monotonic() - began
    _remove(root)
    while outcome.kills < times:
        root = bench.fresh()
        victims = [_kill_after(bench, root, rng.uniform(0.0, longest_s), rng)]
        if twice and victims[0]:
            victims.append(_kill_after(bench, root, rng.uniform(0.0, longest_s / 2), rng))
        if all(victims):
            outcome.kills += 1
            outcome.victims.update(victims)
            where = f"random kill {outcome.kills} of {' and '.join(victims)}"
            outcome.problems += bench.judge(root, where)
        _remove(root)
    return outcome


def _kill_after(bench: Bench, root: Root, seconds: float, rng: random.Random) -> str:
    """Start the service, kill it or one of its workers after a while; say whom, if anybody."""
    service = forked(lambda: bench.drain(root))
    time.sleep(seconds)
    workers = _children(service)
    victim = rng.choice(workers) if workers and rng.random() < 0.5 else service
    if os.waitpid(service, os.WNOHANG)[0]:
        return ""  # it was through before
    try:
        os.kill(victim, signal.SIGKILL)
    except ProcessLookupError:
        victim = 0
    os.waitpid(service, 0)
    return {0: "", service: "service"}.get(victim, "worker")


def _children(process: int) -> list[int]:
    found = []
    for task in Path(f"/proc/{process}/task").glob("*"):
        try:
            found += [int(pid) for pid in (task / "children").read_text().split()]
        except OSError:
            continue
    return found


def _remove(root: Root) -> None:
    os.system(f"rm -rf '{root.path}'")


def check(*, full: bool) -> Iterator[Figure]:
    """Kill the service and its workers at every call; give one figure for each rule set."""
    size = FULL if full else QUICK
    rng = random.Random(SEED)
    with scratch("kills") as folder:
        for scenario in SCENARIOS:
            bench = Bench(scenario, folder)
            points = list(range(len(bench.steps)))
            chosen = points if size.points is None else sorted(rng.sample(points, size.points))
            done = at_every_call(bench, chosen)
            yield _figure(f"SIGKILL at every call, {scenario.name}", done, len(points))


def check_at_random(*, full: bool) -> Iterator[Figure]:
    """Kill the service and its workers at any moment, and again while the service recovers."""
    size = FULL if full else QUICK
    rng = random.Random(SEED)
    with scratch("kills") as folder:
        bench = Bench(SCENARIOS[0], folder, sides=AT_ONCE)
        yield _figure("SIGKILL at random", at_random(bench, size.random, rng), size.random)
        twice = at_random(bench, size.twice, rng, twice=True)
        yield _figure("SIGKILL again during recovery", twice, size.twice)


def _figure(what: str, done: Outcome, wanted: int) -> Figure:
    victims = ", ".join(f"{count} {who}" for who, count in sorted(done.victims.items()))
    calls = ", ".join(f"{count} {call}" for call, count in done.calls.most_common())
    measured = f"{done.kills} of {wanted} ({victims}): {len(done.problems)} problems"
    return Figure(what, WANTED, measured, done.problems, calls)
