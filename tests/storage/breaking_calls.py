"""Breaking off at the N-th call that changes the file system: a crash, or an error of the machine."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from sidekeep.storage import durable

CALLS = ("replace", "rename", "link", "unlink", "rmdir", "mkdir", "write", "fsync", "chmod")


class Crash(BaseException):
    """The process died here."""


class Breaker:
    """Counts calls and breaks off at the chosen one, before or after it took effect."""

    def __init__(self, at: int, error: int | None = None, *, after: bool = False) -> None:
        self.at, self.error, self.after = at, error, after
        self.count = 0
        self.broken = False

    def wrap(self, call: Callable[..., Any]) -> Callable[..., Any]:
        def broken(*args: Any, **kwargs: Any) -> Any:
            self.count += 1
            if self.count == self.at:
                self.broken = True
                if self.after:
                    call(*args, **kwargs)
                if self.error is None:
                    raise Crash
                raise OSError(self.error, os.strerror(self.error))
            if self.broken and self.error is None:
                raise Crash  # a dead process does nothing more, not even tidy up
            return call(*args, **kwargs)

        return broken


@contextlib.contextmanager
def breaking(breaker: Breaker, *, with_renameat2: bool = True) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        for name in CALLS:
            patch.setattr(os, name, breaker.wrap(getattr(os, name)))
        if with_renameat2:
            patch.setattr(durable, "_renameat2", _wrapped_renameat2(breaker))
        else:
            patch.setattr(durable, "_renameat2", lambda: _no_such_call)
        yield


def _wrapped_renameat2(breaker: Breaker) -> Callable[[], Any]:
    real = durable._renameat2()

    def renameat2(*args: Any) -> int:
        try:
            return int(breaker.wrap(real)(*args))
        except OSError as error:
            ctypes.set_errno(error.errno or 0)
            return -1

    return lambda: renameat2


def _no_such_call(*args: Any) -> int:
    ctypes.set_errno(errno.ENOSYS)
    return -1
