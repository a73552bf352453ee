"""Asking the kernel whether anybody still has a file open for writing.

A read lease is granted only while nobody holds the file open for writing (fcntl(2), F_SETLEASE).
The answer is sure on a local file system, for files of our own user or with CAP_LEASE; elsewhere
there is no answer, and the caller waits longer instead.
"""

from __future__ import annotations

import errno
import fcntl
import os
import signal
from enum import StrEnum
from pathlib import Path


class Writer(StrEnum):
    """Whether somebody writes."""

    NOBODY = "nobody"
    SOMEBODY = "somebody"
    UNKNOWN = "unknown"


def writer_of(path: Path) -> Writer:
    """Ask whether anybody holds the file open for writing.

    Raises:
        OSError: the file cannot be opened for reading.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        # A writer who comes while we hold the lease makes the kernel signal us; SIGIO would end the
        # process, SIGURG is ignored by default.
        fcntl.fcntl(descriptor, fcntl.F_SETSIG, signal.SIGURG)
        fcntl.fcntl(descriptor, fcntl.F_SETLEASE, fcntl.F_RDLCK)
        fcntl.fcntl(descriptor, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    except OSError as error:
        return Writer.SOMEBODY if error.errno == errno.EAGAIN else Writer.UNKNOWN
    finally:
        os.close(descriptor)
    return Writer.NOBODY
