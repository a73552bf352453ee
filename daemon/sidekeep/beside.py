"""A second process that works beside this one on the same audio.

Threads share the interpreter's lock; a job that measures in two of them takes a quarter more processor
time. A forked process has all that is loaded, is given blocks through memory that both see, and leaves
its tables in an unnamed file.
"""

from __future__ import annotations

import ctypes
import mmap
import os
import pickle
import signal
import struct
import tempfile
import traceback
from collections.abc import Callable, Mapping
from typing import IO, Any, NoReturn, Self

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.gathering import Place, put, taken

Block = NDArray[np.float32]
Arrays = Mapping[str, NDArray[Any]]

_SLOTS = 3  # blocks in memory: one being worked on, one waiting, one being written
_MESSAGE = struct.Struct("<iiii")  # number, slot, channels, frames
_END = _MESSAGE.pack(-1, 0, 0, 0)
_PR_SET_PDEATHSIG = 1  # prctl(2), linux/prctl.h


class Beside:
    """A forked process that takes blocks and gives tables; it never outlives this one.

    Threads that run when it is made are not there in it; they must hold no lock that it needs.

    Args:
        take: called there with a number and a block, (channels, frames), that is valid until it returns.
        finish: called there when all blocks were taken; gives the tables.
        channels: rows of a block, at most.
        frames: frames that a slot holds; longer blocks are handed over in pieces.
    """

    def __init__(
        self,
        take: Callable[[int, Block], None],
        finish: Callable[[], Arrays],
        channels: int,
        frames: int,
    ) -> None:
        self._take, self._finish = take, finish
        self._frames, self._slot_bytes = frames, channels * frames * 4
        self._memory = mmap.mmap(-1, _SLOTS * self._slot_bytes)
        self._tables: IO[bytes] = tempfile.TemporaryFile()  # noqa: SIM115  (lives as long as this)
        self._given = 0
        inbox, self._to = os.pipe()
        self._back, outbox = os.pipe()
        parent = os.getpid()
        self._child = os.fork()
        if self._child == 0:
            os.close(self._to)
            os.close(self._back)
            self._work(parent, inbox, outbox)
        os.close(inbox)
        os.close(outbox)

    def give(self, number: int, block: Block) -> None:
        """Hand a block over, with the number that `take` is called with.

        Raises:
            Exception: what went wrong in the other process.
        """
        for start in range(0, block.shape[1], self._frames):
            piece = block[:, start : start + self._frames]
            if self._given >= _SLOTS and not os.read(self._back, 1):
                raise self._failure()
            slot = self._given % _SLOTS
            self._slot(slot, piece.shape)[:] = piece
            self._tell(_MESSAGE.pack(number, slot, *piece.shape))
            self._given += 1

    def result(self) -> dict[str, NDArray[Any]]:
        """Wait for the tables; they lie in a file and are read where they are looked at.

        Raises:
            Exception: what went wrong in the other process.
        """
        self._tell(_END)
        while os.read(self._back, 4096):
            pass
        left = self._left()
        if isinstance(left, Exception):
            raise left
        return {
            name: taken(self._tables, table) if isinstance(table, Place) else table
            for name, table in left.items()
        }

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._child:
            os.kill(self._child, signal.SIGKILL)
            os.waitpid(self._child, 0)
        os.close(self._to)
        os.close(self._back)
        self._tables.close()

    def _slot(self, slot: int, shape: tuple[int, ...]) -> Block:
        start = slot * self._slot_bytes
        flat = np.frombuffer(self._memory, np.float32, shape[0] * shape[1], start)
        return flat.reshape(shape)

    def _tell(self, message: bytes) -> None:
        try:
            os.write(self._to, message)
        except BrokenPipeError:
            raise self._failure() from None

    def _failure(self) -> Exception:
        left = self._left()
        return left if isinstance(left, Exception) else RuntimeError("it gave up too early")

    def _left(self) -> Any:
        """Wait for the end of the other process; read what it left: an exception, or places of tables."""
        child, self._child = self._child, 0
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        if code != 0:
            return RuntimeError(f"the process that measures beside this one ended with {code}")
        self._tables.seek(-8, os.SEEK_END)
        self._tables.seek(int.from_bytes(self._tables.read(8), "little"))
        return pickle.load(self._tables)  # noqa: S301  (our own child wrote it into an unnamed file)

    def _work(self, parent: int, inbox: int, outbox: int) -> NoReturn:
        """Be the other process; never return into the caller's code."""
        code = 1
        try:
            ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
            if os.getppid() == parent:
                self._leave(self._worked(inbox, outbox))
                code = 0
        except BaseException:  # noqa: BLE001  (whatever it is, this process ends here)
            traceback.print_exc()
        finally:
            os._exit(code)

    def _worked(self, inbox: int, outbox: int) -> Any:
        """Take all blocks and give the places of the tables, or what went wrong on the way."""
        try:
            while (message := os.read(inbox, _MESSAGE.size)) != _END:
                if not message:
                    os._exit(1)  # the other end is gone
                number, slot, *shape = _MESSAGE.unpack(message)
                self._take(number, self._slot(slot, tuple(shape)))
                os.write(outbox, b"\0")
            return {
                name: put(self._tables, table) if table.ndim else table
                for name, table in self._finish().items()
            }
        except Exception as error:  # noqa: BLE001  (it is raised again at the other end)
            return error

    def _leave(self, left: object) -> None:
        start = self._tables.seek(0, os.SEEK_END)
        pickle.dump(left, self._tables)
        self._tables.write(start.to_bytes(8, "little"))
        self._tables.flush()
