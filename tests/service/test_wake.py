"""The bell that wakes the service."""

from __future__ import annotations

import subprocess
import sys

from sidekeep.service.wake import Bell

_SHAKEN = """
import os, signal, threading
from sidekeep.service.wake import Bell

bell, over = Bell(), False
signals = (signal.SIGUSR1, signal.SIGHUP, signal.SIGTERM)
for number in signals:
    signal.signal(number, lambda *_: bell.ring())

def shake():
    global over
    for turn in range(30_000):
        os.kill(os.getpid(), signals[turn % 3])
    over = True
    bell.ring()

threading.Thread(target=shake).start()
while not over:
    bell.wait(0.01)
    bell.ring()
"""


def test_however_often_it_rang_it_is_heard_once() -> None:
    bell = Bell()
    assert not bell.wait(0.0)
    bell.ring()
    bell.ring()
    assert bell.wait(60.0)
    assert not bell.wait(0.0)


def test_signals_that_interrupt_each_other_do_not_stop_the_service() -> None:
    """With a lock in the bell, a handler waits for what the one it interrupted holds."""
    shaken = subprocess.run([sys.executable, "-c", _SHAKEN], timeout=60, check=False)
    assert shaken.returncode == 0
