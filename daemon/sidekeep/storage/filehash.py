"""Hashing files in the background while something else reads the same bytes from memory."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path

from sidekeep.forked import Forked
from sidekeep.storage.durable import sha256_of
from sidekeep.storage.faults import faults


class FileHashes:
    """SHA-256 of the bytes of some files, computed one after another in a process of its own.

    Started at once, so that the files are read from the disk once for this and for decoding. A thread
    would wait for the interpreter's lock at every piece while libraries load.

    Args:
        paths: the files.
    """

    def __init__(self, paths: Sequence[Path]) -> None:
        self._hashes = Forked(partial(_hashed, tuple(paths)))

    @contextmanager
    def standing_aside(self) -> Iterator[None]:
        """Keep the processor free for what is more urgent."""
        self._hashes.pause()
        try:
            yield
        finally:
            self._hashes.go_on()

    def result(self) -> tuple[str, ...]:
        """Wait for the hashes and give them in the order of the files; to be asked for once.

        Raises:
            MachineFault: a file could not be read.
        """
        with self._hashes as hashes:
            return hashes.result()


def _hashed(paths: tuple[Path, ...]) -> tuple[str, ...]:
    found = []
    for path in paths:
        with faults("reading", path):
            found.append(sha256_of(path))
    return tuple(found)
