"""A forked process: what it gives and raises, and that it stands still when it is told to."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys

import pytest

from sidekeep.forked import Forked


def test_what_it_gives_and_what_it_raises_come_back() -> None:
    def fail() -> None:
        raise KeyError("gone")

    with Forked(os.getpid) as other, Forked(fail) as failing:
        assert other.result() != os.getpid()
        with pytest.raises(KeyError, match="gone"):
            failing.result()


def test_a_paused_process_stands_still_until_it_may_go_on() -> None:
    inbox, to = os.pipe()
    with Forked(lambda: os.read(inbox, 1)) as other:
        other.pause()
        stopped = os.waitid(os.P_ALL, 0, os.WSTOPPED)
        assert stopped is not None
        assert stopped.si_code == os.CLD_STOPPED
        other.go_on()
        going = os.waitid(os.P_ALL, 0, os.WCONTINUED)
        assert going is not None
        assert going.si_code == os.CLD_CONTINUED
        os.write(to, b"x")
        assert other.result() == b"x"
    os.close(inbox)
    os.close(to)


def test_asking_for_the_result_of_a_paused_process_lets_it_go_on() -> None:
    inbox, to = os.pipe()
    with Forked(lambda: os.read(inbox, 1)) as other:
        other.pause()
        os.write(to, b"x")
        assert other.result() == b"x"
    os.close(inbox)
    os.close(to)


_PAUSES_AND_DIES = """
import os, signal, sys, time
from sidekeep import forked

bind = forked.die_with
def late(parent):
    time.sleep(0.2)
    return bind(parent)
forked.die_with = late
other = forked.Forked(signal.pause)
other.pause()
print(other._child, flush=True)
os.kill(os.getpid(), signal.SIGKILL)
"""


def test_a_process_that_was_paused_at_once_does_not_outlive_its_parent() -> None:
    """It would keep the lock on its job's folder for ever."""
    parent = subprocess.run(
        [sys.executable, "-c", _PAUSES_AND_DIES],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert parent.returncode == -signal.SIGKILL
    try:
        end = os.pidfd_open(int(parent.stdout))
    except ProcessLookupError:
        return
    gone, _, _ = select.select([end], [], [], 20.0)
    os.close(end)
    assert gone
