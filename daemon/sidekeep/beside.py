"""A second process that works beside this one on the same audio.

Threads share the interpreter's lock; a job that measures in two of them takes a quarter more processor
time. A forked process is given blocks through memory that both see, and leaves its tables in an unnamed
file.
"""

from __future__ import annotations

import mmap
import os
import struct
import tempfile
from collections.abc import Callable, Mapping
from typing import IO, Any, NoReturn, Self

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.gathering import Place, put, taken
from sidekeep.forked import Forked

Block = NDArray[np.float32]
Arrays = Mapping[str, NDArray[Any]]

_SLOTS = 3  # blocks in memory: one being worked on, one waiting, one being written
_MESSAGE = struct.Struct("<iiii")  # number, slot, channels, frames
_END = _MESSAGE.pack(-1, 0, 0, 0)


class Beside:
    """A forked process that takes blocks and gives tables (see `Forked`).

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
        self._given = self._waited_for = 0
        self._inbox, self._to = os.pipe()
        self._back, self._outbox = os.pipe()
        self._other = Forked(self._work)
        os.close(self._inbox)
        os.close(self._outbox)

    def room(self, channels: int, frames: int) -> Block:
        """Wait for room for the next block; one that is made there need not be copied to be given.

        Raises:
            Exception: what went wrong in the other process.
        """
        if frames > self._frames:
            return np.empty((channels, frames), np.float32)
        if self._waited_for == self._given:
            if self._given >= _SLOTS and not os.read(self._back, 1):
                self._fail()
            self._waited_for += 1
        return self._slot(self._given % _SLOTS, (channels, frames))

    def give(self, number: int, block: Block) -> None:
        """Hand a block over, with the number that `take` is called with.

        Raises:
            Exception: what went wrong in the other process.
        """
        for start in range(0, block.shape[1], self._frames):
            piece = block[:, start : start + self._frames]
            room = self.room(*piece.shape)
            if room.ctypes.data != piece.ctypes.data:
                room[:] = piece
            self._tell(_MESSAGE.pack(number, self._given % _SLOTS, *piece.shape))
            self._given += 1

    def end(self) -> None:
        """Say that there are no more blocks.

        Raises:
            Exception: what went wrong in the other process.
        """
        self._tell(_END)

    def result(self) -> dict[str, NDArray[Any]]:
        """Wait for the tables; they lie in a file and are read where they are looked at.

        Raises:
            Exception: what went wrong in the other process.
        """
        return {
            name: taken(self._tables, table) if isinstance(table, Place) else table
            for name, table in self._other.result().items()
        }

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._other.end()
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
            self._fail()

    def _fail(self) -> NoReturn:
        """Raise what was raised there."""
        self._other.result()
        raise RuntimeError("a process that worked beside this one gave up")

    def _work(self) -> dict[str, Place | NDArray[Any]]:
        """Be the other process: take all blocks, leave the tables, say where."""
        os.close(self._to)
        os.close(self._back)
        while (message := os.read(self._inbox, _MESSAGE.size)) != _END:
            if not message:
                raise RuntimeError("the process that reads the recording is gone")
            number, slot, *shape = _MESSAGE.unpack(message)
            self._take(number, self._slot(slot, tuple(shape)))
            os.write(self._outbox, b"\0")
        tables = self._finish()
        places = {n: put(self._tables, each) if each.ndim else each for n, each in tables.items()}
        self._tables.flush()
        return places
