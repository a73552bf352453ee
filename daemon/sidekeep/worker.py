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
from sidekeep.job import run
from sidekeep.rulesets import load_rule_sets
from sidekeep.storage.folders import Root
from sidekeep.storage.jobfiles import Result, write_result
from sidekeep.study import SECTIONS

CRASHED = 70  # EX_SOFTWARE of sysexits(3)
_SWITCH_S = 0.0005  # numpy gives the lock up often; whoever waits for it shall not wait 5 ms
TRY_AGAIN = 75  # EX_TEMPFAIL: the machine failed, and not even that could be written down


def main(argv: list[str]) -> int:
    """Run one job; return the exit code."""
    root, job = Root(Path(argv[0])), argv[1]
    sys.setswitchinterval(_SWITCH_S)
    try:
        folders = os.environ.get("SIDEKEEP_RULES", "").split(os.pathsep)
        rule_sets = load_rule_sets([Path(folder) for folder in folders if folder], SECTIONS)
        tempfile.tempdir = str(root.work / job)  # no other folder may be written to
        result = run(root, job, rule_sets)
    except Exception as error:  # noqa: BLE001
        told = _result_of(error)
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


def _result_of(error: Exception) -> Result | None:
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
        advice = error.advice or "Correct it, then run `sidekeep release` with this job's name."
        return Result("held", error.message, advice)
    return None


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
