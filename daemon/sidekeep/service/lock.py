"""One service per root: a lock on a file, held for life and free the moment its holder is gone."""

from __future__ import annotations

import contextlib
import fcntl
import os
from pathlib import Path
from types import TracebackType

from sidekeep.errors import Refused
from sidekeep.storage.faults import faults


class RootLock:
    """An exclusive flock on `state/lock`; a process number is written into it for people.

    Raises:
        Refused: another service holds the lock.
        MachineFault: the file cannot be opened.
    """

    def __init__(self, path: Path) -> None:
        with faults("opening", path):
            self._descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
        try:
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.read(self._descriptor, 32).decode("ascii", "replace").strip() or "unknown"
            os.close(self._descriptor)
            raise Refused(
                f"Another Sidekeep (process {holder}) already works on {path.parent.parent}.",
                "Stop it first, or give this one another --root.",
            ) from None
        with contextlib.suppress(OSError):  # a full disk must not keep the service from its work
            os.ftruncate(self._descriptor, 0)
            os.write(self._descriptor, f"{os.getpid()}\n".encode())

    def __enter__(self) -> RootLock:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.release()

    def release(self) -> None:
        """Let go of the lock; the file stays, since removing it could split the lock in two."""
        os.close(self._descriptor)
