"""Files in the archive that no manifest lists."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator
from pathlib import Path

from sidekeep.storage.durable import sha256_of
from sidekeep.storage.folders import Root
from sidekeep.storage.superseding import EARLIER


def stray_files(root: Root, listed: Collection[str], sizes: Collection[int]) -> dict[str, str]:
    """Give the unlisted files below masters, music and jobs: path relative to `archive/` and hash.

    Args:
        root: the folders.
        listed: paths that are listed somewhere.
        sizes: only files of these sizes are hashed; for others the hash is empty.

    Raises:
        OSError: the archive cannot be read.
    """
    strays = {}
    for path in _files(root):
        relative = path.relative_to(root.archive).as_posix()
        if relative not in listed:
            strays[relative] = _hash(path) if path.lstat().st_size in sizes else ""
    return strays


def _files(root: Root) -> Iterator[Path]:
    for base in (root.masters, root.music, root.jobs):
        for folder, below, names in os.walk(base, onerror=_raise):
            below.sort()
            if Path(folder).parent == root.jobs and EARLIER in below:
                below.remove(EARLIER)  # the history of a superseded job
            for name in sorted(names):
                yield Path(folder) / name


def _raise(error: OSError) -> None:
    raise error


def _hash(path: Path) -> str:
    try:
        return sha256_of(path)
    except OSError:
        return ""  # a link, or unreadable: not what is missing
