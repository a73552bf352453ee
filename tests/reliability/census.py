"""What must be true of a root, whatever happened to it: where every recording is, and what is whole."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from sidekeep.storage.audit import Condition, audit
from sidekeep.storage.folders import MARKER, Root

RECORDINGS = frozenset({".wav", ".flac", ".aiff", ".aif", ".w64", ".rf64", ".caf"})


def sha256(path: Path) -> str:
    """Hash a file, in a way that shares nothing with the program."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def recordings(root: Root) -> Counter[str]:
    """Count every recording by its hash, wherever recordings may lie."""
    return Counter(sha256(path) for path in _recordings(root))


def filed(root: Root) -> dict[str, str]:
    """Give the tracks and masters in the archive with their hashes."""
    return {
        path.relative_to(root.archive).as_posix(): sha256(path)
        for place in (root.music, root.masters)
        for path in _files(place)
    }


def faults(root: Root, dropped: Iterable[str]) -> list[str]:
    """Say what is wrong at any moment: recordings lost or doubled, partial files, false manifests.

    Args:
        root: the folders.
        dropped: the hashes of all recordings that were ever put into the inbox.
    """
    found = []
    there = recordings(root)
    found += [
        f"recording {digest[:8]} is there {there[digest]} times"
        for digest in dropped
        if there[digest] != 1
    ]
    found += [f"unknown recording {digest[:8]}" for digest in there.keys() - set(dropped)]
    for job in _folders(root.jobs):
        for line in (job / "manifest.sha256").read_text(encoding="utf-8").splitlines():
            digest, _, path = line.partition("  ")
            file = root.archive / path
            if not file.is_file():
                found.append(f"{path} is in the manifest of {job.name} and not there")
            elif sha256(file) != digest:
                found.append(f"{path} differs from the manifest of {job.name}")
    return found


def unfinished(root: Root) -> list[str]:
    """Say what is left over when all work is done: stages, jobs in work, files no manifest lists."""
    found = [f"left in stage: {path.name}" for path in root.incoming.iterdir()]
    found += [f"left in work: {path.name}" for path in _folders(root.work)]
    places = (root.inbox, root.archive)
    found += [
        f"temporary file {path.relative_to(root.path)}"
        for place in places
        for path in _files(place)
        if path.name.startswith(".") and path.name != MARKER
    ]
    found += [
        f"{each.path}: {each.condition}"
        for each in audit(root)
        if each.condition is not Condition.OK
    ]
    return found


def differences(mine: Mapping[str, str], undisturbed: Mapping[str, str]) -> list[str]:
    """Say in what two archives differ."""
    found = [f"{path} is missing" for path in undisturbed.keys() - mine.keys()]
    found += [f"{path} is too much" for path in mine.keys() - undisturbed.keys()]
    both = mine.keys() & undisturbed.keys()
    return found + [f"{path} has other bytes" for path in both if mine[path] != undisturbed[path]]


def _recordings(root: Root) -> Iterator[Path]:
    yield from (path for path in _files(root.inbox) if path.suffix.lower() in RECORDINGS)
    for place in (root.work, root.held, root.quarantine):
        for job in _folders(place):
            yield from _files(job / "recording")
    yield from _files(root.masters)


def _files(place: Path) -> Iterator[Path]:
    if place.is_dir():
        yield from (
            path for path in sorted(place.rglob("*")) if path.is_file() and not path.is_symlink()
        )


def _folders(place: Path) -> Iterator[Path]:
    yield from (path for path in sorted(place.iterdir()) if path.is_dir())
