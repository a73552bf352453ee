"""A forked process: what it gives and raises, and that it stands still when it is told to."""

from __future__ import annotations

import os

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
