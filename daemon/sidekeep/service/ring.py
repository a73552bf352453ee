"""Waking the service of a root from another process."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from sidekeep.service.supervise import LOOK_NOW


def ring(lock: Path) -> bool:
    """Tell the service that holds this lock to look now; say whether there is one.

    The process number in the file counts only while the lock is held, so no stranger is signalled.
    A service of another user cannot be told; it looks by itself within half a minute.
    """
    try:
        with lock.open("rb") as file:
            try:
                fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
            except BlockingIOError:
                return _signal(file.read(32))
    except OSError:
        return False
    return False


def _signal(holder: bytes) -> bool:
    try:
        os.kill(int(holder), LOOK_NOW)
    except ValueError:
        return False
    except PermissionError:
        return True
    return True
