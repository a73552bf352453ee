"""Workers that crash, hang, eat memory or disk: one job each in quarantine, all others go on.

And a second service on the same root, which says so and exits.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

from reliability import census
from reliability.figures import Figure, scratch
from reliability.forked_service import FixedRules, in_a_fork
from reliability.small_sides import SCENARIOS, recording, rules_for
from sidekeep.cli.exit_codes import BUSY
from sidekeep.preferences import Preferences
from sidekeep.service import dispatch
from sidekeep.service.assembly import Wishes, assemble
from sidekeep.service.drain import drain
from sidekeep.service.executor import Call
from sidekeep.service.limits import Limits
from sidekeep.service.logs import open_log
from sidekeep.service.readiness import Settle
from sidekeep.storage.folders import Root

BAD = ("crash", "eat", "hang", "fill", "stop")
GOOD = ("first", "second", "third")
LIMITS = Limits(memory_bytes=3 << 30, wall_s=20.0, cpu_s=60, file_bytes=64 << 20)
SECONDS = 120.0  # longest wait for a service to say that it is there


def bad_workers(folder: Path, bad: Sequence[str], good: Sequence[str]) -> Figure:
    """Send bad and good jobs through real child processes."""
    root = Root(folder / "root")
    root.prepare()
    dropped = []
    for number, name in enumerate((*bad, *good)):
        path = root.inbox / f"{name}.wav"
        path.write_bytes(recording(folder, 7 + number).read_bytes())
        dropped.append(census.sha256(path))
    here = str(Path(__file__).resolve().parents[1])

    def work() -> int:
        os.environ["PYTHONPATH"] = os.pathsep.join([here, *filter(None, sys.path)])
        worker = "reliability.misbehaving_worker"
        vars(dispatch)["Call"] = partial(Call, worker=worker)
        vars(dispatch)["limits_for"] = lambda *_: LIMITS
        rules = rules_for(SCENARIOS[0], folder)
        preferences = Preferences(root=str(root.path), rules=(str(rules),), free_space_gb=0.0)
        wishes = Wishes(Settle(0.0, 0.0), open_log(silent=True))
        with assemble(preferences, wishes) as service:
            fixed = replace(service, rulebook=FixedRules(root.state, preferences.rules))
            return 0 if drain(fixed, 20.0) else 1

    code = in_a_fork(work)
    problems = [] if code == 0 else [f"the service ended with {code}"]
    tries = []
    for name in bad:
        jobs = list(root.quarantine.glob(f"*-{name}"))
        if len(jobs) != 1:
            problems.append(f"{name} is not in quarantine")
            continue
        tries.append(len((jobs[0] / "tries").read_text()))
        if not (jobs[0] / "reason.yaml").read_text():
            problems.append(f"{name} has no reason")
    problems += [f"a job was tried {count} times" for count in tries if count != 2]
    filed = [name for name in good if any(root.jobs.glob(f"*-{name}"))]
    problems += [f"{name} was not filed" for name in good if name not in filed]
    problems += census.faults(root, dropped) + census.unfinished(root)
    measured = (
        f"{len(tries)} of {len(bad)} bad jobs in quarantine after one retry, "
        f"{len(filed)} of {len(good)} others filed: {len(problems)} problems"
    )
    wanted = "each in quarantine after one retry, service up, the others filed"
    return Figure("workers that crash, hang, eat memory or disk", wanted, measured, problems)


def two_services(folder: Path) -> Figure:
    """Start a service, then others on the same root; then kill the first and start another."""
    root = folder / "shared root"
    command = [sys.executable, "-m", "sidekeep.cli.main"]
    first = subprocess.Popen([*command, "watch", "--root", root], stderr=subprocess.PIPE, text=True)
    problems = []
    try:
        _wait_until_online(first)
        for kind in ("watch", "drain"):
            second = subprocess.run(
                [*command, kind, "--root", root], capture_output=True, text=True, check=False
            )
            if second.returncode != BUSY or f"process {first.pid}" not in second.stderr:
                problems.append(f"{kind} ended with {second.returncode}: {second.stderr}")
        if first.poll() is not None:
            problems.append("the first service has ended")
        first.send_signal(signal.SIGKILL)
        first.wait()
        after = subprocess.run(
            [*command, "drain", "--root", root, "--settle", "0 s"],
            capture_output=True,
            text=True,
            check=False,
        )
        if after.returncode != 0:
            problems.append(f"after a kill drain ended with {after.returncode}: {after.stderr}")
    finally:
        first.kill()
        first.wait()
        if first.stderr:
            first.stderr.close()
    measured = f"2 of 2 said so and exited with {BUSY}: {len(problems)} problems"
    return Figure("two services on one root", "the second says so and exits", measured, problems)


def _wait_until_online(service: subprocess.Popen[str]) -> None:
    until_s = time.monotonic() + SECONDS
    assert service.stderr is not None
    for line in service.stderr:
        if json.loads(line)["event"] == "service.online":
            return
        if time.monotonic() > until_s:
            break
    raise TimeoutError("the service did not start")


def check(*, full: bool) -> Iterator[Figure]:
    """Give both figures; the quick form waits for no time limit."""
    with scratch("workers") as folder:
        yield bad_workers(folder, BAD if full else BAD[:2], GOOD if full else GOOD[:1])
        yield two_services(folder)
