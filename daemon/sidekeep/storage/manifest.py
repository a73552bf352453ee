"""Manifests that `sha256sum -c` accepts, and the facts kept beside them.

Lines follow GNU coreutils: 64 hex digits, two spaces, the name, a line feed; a name with a backslash,
line feed or carriage return is escaped and its line begins with a backslash. Paths are relative to
`archive/`. The facts (size, time of last change, hash, and the manifest's own hash) tell what has
rotted from what was edited; they are sealed with a hash of their own.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterable
from dataclasses import dataclass

from sidekeep.errors import Damaged

MANIFEST_NAME = "manifest.sha256"
FACTS_NAME = "facts.json"

_LINE = re.compile(rb"(\\?)([0-9a-f]{64}) [ *](.+)", re.DOTALL)
_ESCAPED = {b"\\\\": b"\\", b"\\n": b"\n", b"\\r": b"\r"}


@dataclass(frozen=True, slots=True)
class Filed:
    """A file as it was filed; `path` is relative to `archive/`, `sha256` that of its bytes."""

    path: str
    bytes: int
    mtime_ns: int
    sha256: str


def write_lines(files: Iterable[Filed]) -> bytes:
    """Give the text of a manifest, sorted by the bytes of the paths."""
    return b"".join(
        _line(file.sha256, os.fsencode(file.path))
        for file in sorted(files, key=lambda file: os.fsencode(file.path))
    )


def _line(sha256: str, name: bytes) -> bytes:
    escaped = name.replace(b"\\", b"\\\\").replace(b"\n", b"\\n").replace(b"\r", b"\\r")
    return (b"" if escaped == name else b"\\") + sha256.encode() + b"  " + escaped + b"\n"


def read_lines(text: bytes) -> dict[str, str]:
    """Read a manifest: path to hash.

    Raises:
        Damaged: a line is no manifest line, or a path is listed twice.
    """
    found: dict[str, str] = {}
    for number, line in enumerate(text.split(b"\n"), start=1):
        if not line:
            continue
        match = _LINE.fullmatch(line)
        if match is None:
            raise Damaged(f"Line {number} of the manifest cannot be read.")
        name = match[3]
        if match[1]:
            name = re.sub(rb"\\[\\nr]", lambda code: _ESCAPED[code[0]], name)
        path = os.fsdecode(name)
        if path in found:
            raise Damaged(f"Line {number} of the manifest lists {path} a second time.")
        found[path] = match[2].decode()
    return found


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of a job's files beside their hashes; by path relative to `archive/`."""

    files: dict[str, Filed]
    manifest: Filed


def write_facts(facts: Facts) -> bytes:
    """Give the text of the facts, sealed with a hash of itself."""
    body = {
        "manifest": _values(facts.manifest),
        "files": [_values(facts.files[path]) for path in sorted(facts.files)],
    }
    sealed = body | {"seal": _seal(body)}
    return (
        json.dumps(sealed, indent=1, ensure_ascii=False).encode("utf-8", "surrogateescape") + b"\n"
    )


def read_facts(text: bytes) -> Facts:
    """Read what `write_facts` gave.

    Raises:
        Damaged: it was changed since.
    """
    try:
        body = json.loads(text.decode("utf-8", "surrogateescape"))
        seal = body.pop("seal")
        if seal != _seal(body):
            raise Damaged(
                "The facts kept beside the manifest have changed since they were written."
            )
        files = [Filed(*entry) for entry in body["files"]]
        return Facts({file.path: file for file in files}, Filed(*body["manifest"]))
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise Damaged("The facts kept beside the manifest cannot be read.") from error


def _values(file: Filed) -> list[object]:
    return [file.path, file.bytes, file.mtime_ns, file.sha256]


def _seal(body: dict[str, object]) -> str:
    text = json.dumps(body, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()
