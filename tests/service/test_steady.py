"""Memory that stays: names that come and go, as files do, make the process no larger."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

_NAMES = 100_000  # those of some thousand jobs
_STEP_KB = 500  # how much CPython's table of interned names adds when it doubles (measured)

_PROGRAM = f"""
import re, sys
from pathlib import Path
from sidekeep.cli import watch

def kilobytes():
    text = Path("/proc/self/smaps_rollup").read_text()
    return int(re.search(r"Anonymous: +([0-9]+)", text)[1])

if sys.argv[1] == "settled":
    watch.settle_memory()
first = most = kilobytes()
for number in range({_NAMES}):
    sys.intern(f"another {{number}}")
    if number % 1000 == 0:
        most = max(most, kilobytes())
print(most - first)
"""


def grown_kb(how: str) -> int:
    command = [sys.executable, "-c", _PROGRAM, how]
    return int(subprocess.run(command, capture_output=True, check=True, text=True).stdout)


@pytest.mark.skipif(
    not Path("/proc/self/smaps_rollup").exists(), reason="the system tells no memory by kind"
)
@pytest.mark.skipif(sys.implementation.name != "cpython", reason="the table is CPython's")
@pytest.mark.skipif(sys.version_info[:2] == (3, 12), reason="3.12 keeps all names for ever")
def test_names_that_come_and_go_cost_no_memory_any_more() -> None:
    assert grown_kb("as it is") > _STEP_KB
    assert grown_kb("settled") < _STEP_KB / 2
