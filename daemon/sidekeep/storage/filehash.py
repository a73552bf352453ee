"""Hashing files in the background while something else reads the same bytes from memory."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from sidekeep.storage.durable import sha256_of
from sidekeep.storage.faults import faults


class FileHashes:
    """SHA-256 of the bytes of some files, computed one after another in a thread of its own.

    Started at once, so that the files are read from the disk once for this and for decoding.

    Args:
        paths: the files.
    """

    def __init__(self, paths: Sequence[Path]) -> None:
        pool = ThreadPoolExecutor(1, thread_name_prefix="file-hash")
        self._hashes = [pool.submit(_hash, path) for path in paths]
        pool.shutdown(wait=False)

    def result(self) -> tuple[str, ...]:
        """Wait for the hashes and give them in the order of the files.

        Raises:
            MachineFault: a file could not be read.
        """
        return tuple(future.result() for future in self._hashes)


def _hash(path: Path) -> str:
    with faults("reading", path):
        return sha256_of(path)
