"""RIFF INFO for WAV files (Multimedia Programming Interface 1.0, 1991), which no library writes."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from pathlib import Path

_CODES = {
    "title": "INAM",
    "artist": "IART",
    "album": "IPRD",
    "date": "ICRD",
    "genre": "IGNR",
    "comment": "ICMT",
    "track_number": "ITRK",
    "medium": "IMED",
}


def info_chunk(tags: Mapping[str, str]) -> bytes:
    """Give a `LIST` chunk of type `INFO`, values in UTF-8 and ended by NUL; empty without values."""
    items = b"".join(
        _chunk(code.encode(), tags[name].encode() + b"\0")
        for name, code in _CODES.items()
        if tags.get(name)
    )
    return _chunk(b"LIST", b"INFO" + items) if items else b""


def append_info(path: Path, tags: Mapping[str, str]) -> None:
    """Append the INFO chunk to a closed WAV file and correct the RIFF size.

    Raises:
        OSError: the file cannot be written.
    """
    chunk = info_chunk(tags)
    with path.open("r+b") as file:
        end = file.seek(0, 2)
        file.write(b"\0" * (end & 1) + chunk)
        size = file.tell() - 8
        file.seek(4)
        file.write(struct.pack("<I", size))


def _chunk(code: bytes, content: bytes) -> bytes:
    return struct.pack("<4sI", code, len(content)) + content + b"\0" * (len(content) & 1)
