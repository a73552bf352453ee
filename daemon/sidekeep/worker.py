"""One job in a process of its own: `python -m sidekeep.worker ROOT JOB`.

The one place with a broad `except`: whatever happens to a job becomes its `result.json`, or, where not
even that can be written, an exit code that its parent takes for a crash.
"""

from __future__ import annotations

import os
import sys
import tempfile
import traceback
from pathlib import Path

from sidekeep.errors import MachineFault, NeedsPerson, SidekeepError, Unusable, WrittenWrong
from sidekeep.storage.filehash import FileHashes
from sidekeep.storage.folders import Root
from sidekeep.storage.jobfiles import Result, write_result
from sidekeep.storage.order import read_order

CRASHED = 70  # EX_SOFTWARE of sysexits(3)
_SWITCH_S = 0.0005  # numpy gives the lock up often; whoever waits for it shall not wait 5 ms
TRY_AGAIN = 75  # EX_TEMPFAIL: the machine failed, and not even that could be written down


def main(argv: list[str]) -> int:
    """Run one job; return the exit code."""
    root, job = Root(Path(argv[0])), argv[1]
    sys.setswitchinterval(_SWITCH_S)
    try:
        result = _run(root, job)
    except Exception as error:  # noqa: BLE001
        told = _result_of(error, job)
        if told is None:
            traceback.print_exc()
            return CRASHED
        result = told
    try:
        write_result(root.work / job, result)
    except MachineFault as error:
        print(error.message, file=sys.stderr)  # noqa: T201  (the parent reads it)
        return TRY_AGAIN
    return 0


def _run(root: Root, job: str) -> Result:
    """Run the job; its recording is hashed while the numeric libraries load."""
    folder = root.work / job
    order = read_order(folder)
    first_time = order.plan is None and order.supersedes is None
    hashes = FileHashes([folder / part for part in order.parts]) if first_time else None

    from sidekeep.job import run  # noqa: PLC0415
    from sidekeep.rulesets import load_rule_sets  # noqa: PLC0415
    from sidekeep.study import SECTIONS  # noqa: PLC0415

    folders = os.environ.get("SIDEKEEP_RULES", "").split(os.pathsep)
    rule_sets = load_rule_sets([Path(each) for each in folders if each], SECTIONS)
    tempfile.tempdir = str(folder)  # no other folder may be written to
    return run(root, job, rule_sets, hashes)


def _result_of(error: Exception, job: str) -> Result | None:
    """Say what an error means for the job; None when it is a fault of ours."""
    if isinstance(error, MemoryError):
        return None
    if isinstance(error, OSError):
        message = f"The system failed: {error}."
        return Result("deferred", message, "Check the disk and the share; it is tried again.")
    if not isinstance(error, SidekeepError):
        return None
    ended = {Unusable: "quarantined", MachineFault: "deferred"}
    for kind, end in ended.items():
        if isinstance(error, kind):
            return Result(end, error.message, error.advice)
    if isinstance(error, NeedsPerson | WrittenWrong):
        advice = error.advice or f"Correct it in held/{job}/, then run: sidekeep release {job}"
        return Result("held", error.message, advice)
    return None


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
