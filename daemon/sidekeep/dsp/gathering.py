"""Putting a table together from the pieces that a meter leaves, block by block."""

from __future__ import annotations

import contextlib
import ctypes
import mmap
import os
import tempfile
from dataclasses import dataclass
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

_AT_ONCE = 1 << 18  # elements of a table
_ALIGNED = 64  # bytes


class Spool:
    """A table on its way: pieces go to an unnamed temporary file, not into memory.

    The one place in `dsp` that knows of a file, so that a long recording needs no more memory than a
    short one. The table that comes out is mapped from the file and read only where it is looked at.

    Args:
        axis: the axis along which the pieces follow each other.
        none: a piece of no length, which is the table when no other piece is taken.
    """

    def __init__(self, axis: int, none: NDArray[Any] | None = None) -> None:
        self._axis = axis
        self._file: IO[bytes] | None = None
        self._length = 0
        self._rest: tuple[int, ...] = ()
        self._dtype: Any = None
        if none is not None:
            self.append(none)

    def __del__(self) -> None:
        if self._file is not None:
            with contextlib.suppress(OSError):  # a full disk was told when a piece was taken
                self._file.close()

    def append(self, piece: NDArray[Any]) -> None:
        """Take the next piece; all are alike but for their length along the axis.

        Raises:
            OSError: the disk is full.
        """
        turned = np.ascontiguousarray(np.moveaxis(piece, self._axis, 0))
        self._rest, self._dtype = turned.shape[1:], turned.dtype
        if turned.size:
            self._file = self._file or tempfile.TemporaryFile()  # noqa: SIM115 (lives with the spool)
            self._file.write(turned.data)
        self._length += len(turned)

    def table(self) -> NDArray[Any]:
        """Return the whole, read-only; at least one piece must have been taken."""
        shape = (self._length, *self._rest)
        if self._file is None:
            return np.moveaxis(np.zeros(shape, self._dtype), 0, self._axis)
        self._file.flush()
        mapped: Any = np.memmap(self._file, self._dtype, "r", shape=shape)
        self._file.close()  # the mapping stays
        return np.moveaxis(np.asarray(mapped), 0, self._axis)


@dataclass(frozen=True, slots=True)
class Place:
    """Where a table lies in a file: its first byte, its type, its shape there, its axes' order."""

    start: int
    dtype: str
    shape: tuple[int, ...]
    axes: tuple[int, ...]


def put(file: IO[bytes], table: NDArray[Any]) -> Place:
    """Append a table to a file, keeping no more than a part of it in memory.

    Raises:
        OSError: the disk is full.
    """
    axes = tuple(sorted(range(table.ndim), key=lambda axis: -table.strides[axis]))
    turned = np.ascontiguousarray(table.transpose(axes))
    start = file.seek(0, os.SEEK_END)
    start += file.write(bytes(-start % _ALIGNED))
    flat = turned.reshape(-1)
    for first in range(0, flat.size, _AT_ONCE):
        file.write(flat[first : first + _AT_ONCE].data)
        let_go(table)
    return Place(start, turned.dtype.str, turned.shape, axes)


def taken(file: IO[bytes], place: Place) -> NDArray[Any]:
    """Give a table that `put` left in a flushed file, read-only; it is read where it is looked at."""
    if 0 in place.shape:
        turned: Any = np.zeros(place.shape, place.dtype)
    else:
        turned = np.memmap(file, place.dtype, "r", place.start, place.shape)
    return np.asarray(turned).transpose(np.argsort(place.axes))


def spooled(table: NDArray[Any]) -> NDArray[Any]:
    """Put a table that is in memory into an unnamed file, from which it is read where it is looked at.

    Raises:
        OSError: the disk is full.
    """
    return Spool(0, table).table() if table.ndim else table


def let_go(table: NDArray[Any]) -> None:
    """Have the system drop what it read of a spooled table; it is read again when it is needed."""
    base: Any = table
    while isinstance(base, np.ndarray):
        base = base.base
    if isinstance(base, mmap.mmap):
        base.madvise(mmap.MADV_DONTNEED)


def give_memory_back() -> None:
    """Have the C library return what is free, which glibc would keep for later."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)
