"""Work in a forked process: it knows all that is loaded here, and shares neither lock nor memory."""

from __future__ import annotations

import ctypes
import os
import pickle
import signal
import traceback
from collections.abc import Callable
from typing import Any, Generic, NoReturn, Self, TypeVar

T = TypeVar("T")

_PR_SET_PDEATHSIG = 1  # prctl(2), linux/prctl.h
_BOUND = b"."  # what the process says first


def die_with(parent: int) -> bool:
    """Have the system end this process when its parent ends; tell whether the parent is still there."""
    ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    return os.getppid() == parent  # else it died before we asked to be told


class Forked(Generic[T]):
    """A function that runs in a process of its own, which never outlives this one.

    Threads that run when it starts are not there in it; they must hold no lock that it needs.

    Args:
        work: the function; what it returns or raises must be fit for pickling.
    """

    def __init__(self, work: Callable[[], T]) -> None:
        self._child, self._answer, parent = 0, -1, os.getpid()
        self._bound = False
        self._answer, answer = os.pipe()
        self._child = os.fork()
        if self._child == 0:
            os.close(self._answer)
            self._work(work, answer, parent)
        os.close(answer)

    def pause(self) -> None:
        """Stop the process where it is; one that was not yet bound to this one would outlive it."""
        if self._child and self._wait_until_bound():
            os.kill(self._child, signal.SIGSTOP)

    def go_on(self) -> None:
        """Let the process go on where it was stopped."""
        if self._child:
            os.kill(self._child, signal.SIGCONT)

    def result(self) -> T:
        """Wait for the end and give what the function returned; to be asked for once.

        Raises:
            Exception: what the function raised; RuntimeError when its process was ended.
        """
        self.go_on()
        self._wait_until_bound()
        with os.fdopen(os.dup(self._answer), "rb") as answer:
            left = answer.read()
        child, self._child = self._child, 0
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        if code != 0:
            raise RuntimeError(f"a process that worked beside this one ended with {code}")
        found: Any = pickle.loads(left)  # noqa: S301  (our own child wrote it)
        if isinstance(found, Exception):
            raise found
        return found  # type: ignore[no-any-return]

    def _wait_until_bound(self) -> bool:
        """Tell whether the process is bound to die with this one now; False when it died before."""
        self._bound = self._bound or bool(os.read(self._answer, 1))
        return self._bound

    def end(self) -> None:
        """End the process if it still runs."""
        if self._child:
            os.kill(self._child, signal.SIGKILL)
            os.waitpid(self._child, 0)
            self._child = 0
        if self._answer >= 0:
            os.close(self._answer)
            self._answer = -1

    def __del__(self) -> None:
        self.end()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.end()

    def _work(self, work: Callable[[], T], answer: int, parent: int) -> NoReturn:
        """Be the other process; never return into the caller's code."""
        code = 1
        try:
            if die_with(parent):
                with os.fdopen(answer, "wb") as stream:
                    stream.write(_BOUND)
                    stream.flush()
                    pickle.dump(_outcome(work), stream)
                code = 0
        except BaseException:  # noqa: BLE001  (whatever it is, this process ends here)
            traceback.print_exc()
        finally:
            os._exit(code)


def _outcome(work: Callable[[], T]) -> T | Exception:
    try:
        return work()
    except Exception as error:  # noqa: BLE001  (it is raised again at the other end)
        return error
