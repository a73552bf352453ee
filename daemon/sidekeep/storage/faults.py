"""What the machine's errors mean to a person: path, cause, and what happens next."""

from __future__ import annotations

import errno
import os
import resource
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from sidekeep.errors import MachineFault

_A_BLOCK = 1 << 20  # less room than this is none

#: The end of every such message; what ends a command is not tried again, and it is left out there.
LATER = "It is tried again later."

_CAUSES: dict[int, tuple[str, str]] = {
    errno.ENOSPC: ("the disk is full", "Free some space on it."),
    errno.EDQUOT: ("the disk quota is used up", "Free some space or raise the quota."),
    errno.EFBIG: (
        "the file grew beyond what the file system or a limit allows",
        "Check the file size limit of the service and of the file system.",
    ),
    errno.EROFS: (
        "the file system is mounted read-only",
        "Look in the system log for disk errors, then mount it writable again.",
    ),
    errno.EIO: (
        "the disk or the share reported an input/output error",
        "Look in the system log; the disk or the cable may be failing.",
    ),
    errno.ESTALE: ("the network share was replaced or restarted", "Mount the share again."),
    errno.ENODEV: ("the device is gone", "Connect and mount the disk again."),
    errno.ENXIO: ("the device is gone", "Connect and mount the disk again."),
    errno.ENOTCONN: ("the network share is disconnected", "Mount the share again."),
    errno.EHOSTDOWN: (
        "the server of the share does not answer",
        "Check the server and the network.",
    ),
    errno.ETIMEDOUT: (
        "the server of the share does not answer",
        "Check the server and the network.",
    ),
    errno.EACCES: (
        "the user it runs as may not do that there",
        "Give the service's user the right to read and write this folder; run commands as that user.",
    ),
    errno.EPERM: (
        "the system does not permit it",
        "Check owner, permissions and attributes of the file and its folder.",
    ),
    errno.ENOENT: (
        "a file or folder is not there",
        "Check that the disk or share is mounted and that nobody moved the folder.",
    ),
    errno.EXDEV: (
        "two of the folders lie on different file systems",
        "Put inbox, work, held, quarantine and archive on one file system, under one mount.",
    ),
    errno.EMFILE: ("too many files are open", "Raise the limit of open files of the service."),
    errno.ENFILE: (
        "too many files are open on this machine",
        "Find out which program holds them open.",
    ),
    errno.ENAMETOOLONG: ("a name is too long for this file system", "Shorten the name."),
}


def machine_fault(error: OSError, doing: str, path: str | os.PathLike[str]) -> MachineFault:
    """Turn an error of the operating system into one that says what, where, why and what to do.

    Args:
        error: what the system reported.
        doing: what was being done, as in "writing" or "moving".
        path: the file or folder it was done to.
    """
    cause, advice = _CAUSES.get(error.errno or 0, (error.strerror or str(error), ""))
    message = f"{doing} {os.fspath(path)} failed: {cause}. {LATER}"
    return MachineFault(message[0].upper() + message[1:], advice)


@contextmanager
def faults(doing: str, path: str | os.PathLike[str]) -> Iterator[None]:
    """Turn any `OSError` of the body into a `MachineFault`.

    Raises:
        MachineFault: the system refused or failed.
    """
    try:
        yield
    except OSError as error:
        raise machine_fault(error, doing, error.filename or path) from error


def shortage_on(path: str | os.PathLike[str]) -> OSError:
    """Guess why a library could not write a file, where it does not pass on the system's word."""
    number = errno.EIO
    with suppress(OSError):
        space = os.statvfs(path)
        limit = resource.getrlimit(resource.RLIMIT_FSIZE)[0]
        if space.f_flag & os.ST_RDONLY:
            number = errno.EROFS
        elif space.f_bavail * space.f_frsize < _A_BLOCK:
            number = errno.ENOSPC
        elif limit != resource.RLIM_INFINITY and Path(path).stat().st_size > limit - _A_BLOCK:
            number = errno.EFBIG
    return OSError(number, os.strerror(number), os.fspath(path))
