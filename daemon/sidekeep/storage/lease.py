"""Whether somebody still has a file open for writing, where the file system can tell."""

from __future__ import annotations

import errno
import fcntl
import os
import signal
from pathlib import Path


def is_open_for_writing(path: str | Path, *, folder: int | None = None) -> bool | None:
    """Tell whether any process of this machine has the file open for writing.

    A read lease (fcntl(2), F_SETLEASE) is granted only while nobody has. It is given back at once.

    Args:
        path: the file; links are not followed, a pipe is not waited for.
        folder: descriptor of the folder that `path` is relative to.

    Returns:
        None when it cannot be known: the file belongs to another user, or lies on a network share.

    Raises:
        OSError: the file cannot be opened.
    """
    flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
    descriptor = os.open(path, flags, dir_fd=folder)
    try:
        # Whoever opens the file meanwhile makes the system signal us; SIGIO would end the process.
        fcntl.fcntl(descriptor, fcntl.F_SETSIG, signal.SIGURG)
        fcntl.fcntl(descriptor, fcntl.F_SETLEASE, fcntl.F_RDLCK)
        fcntl.fcntl(descriptor, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    except OSError as error:
        return True if error.errno == errno.EAGAIN else None
    finally:
        os.close(descriptor)
    return False
