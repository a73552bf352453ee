"""A front cover beside the recording: JPEG or PNG, looked at without decoding it."""

from __future__ import annotations

import os
import stat
import struct
from dataclasses import dataclass
from pathlib import Path

from sidekeep.errors import NeedsPerson
from sidekeep.storage.faults import machine_fault

LARGEST_BYTES = 8 << 20
LARGEST_SIDE = 6000  # pixels; a person's scan of a 30 cm sleeve at 500 dpi
_MOST_SEGMENTS = 1000
_FRAME_HEADERS = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}  # JPEG (T.81 table B.1): SOFn
_STANDALONE = frozenset((0x01, *range(0xD0, 0xD8)))
_PNG_CHANNELS = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}


@dataclass(frozen=True, slots=True)
class Cover:
    """A picture: its bytes, type, size in pixels, bits per pixel, and colours of a palette (0 = none)."""

    data: bytes
    mime: str
    width: int
    height: int
    depth: int
    colours: int = 0


def read_cover(path: Path) -> Cover:
    """Read a picture for embedding; links are not followed.

    Raises:
        NeedsPerson: it is no JPEG or PNG, damaged, or too large.
        MachineFault: the disk failed.
    """
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        with os.fdopen(descriptor, "rb") as file:
            if not stat.S_ISREG(os.fstat(descriptor).st_mode):
                raise _refused(path, "it is not a regular file")
            data = file.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise machine_fault(error, "reading", path) from error
    if len(data) > LARGEST_BYTES:
        raise _refused(path, f"it is larger than {LARGEST_BYTES >> 20} MiB")
    try:
        cover = _png(data) or _jpeg(data)
    except (struct.error, IndexError) as error:
        raise _refused(path, "its header is damaged") from error
    if cover is None:
        raise _refused(path, "it is neither a JPEG nor a PNG picture")
    if not (0 < cover.width <= LARGEST_SIDE and 0 < cover.height <= LARGEST_SIDE):
        raise _refused(
            path,
            f"it claims {cover.width} x {cover.height} pixels; {LARGEST_SIDE} a side is the most",
        )
    return cover


def _png(data: bytes) -> Cover | None:
    """Read IHDR, and PLTE's length for palettes (PNG, ISO/IEC 15948)."""
    if not data.startswith(b"\x89PNG\r\n\x1a\n") or data[12:16] != b"IHDR":
        return None
    width, height, bits, kind = struct.unpack_from(">IIBB", data, 16)
    colours = 0
    if kind == 3:
        palette = data.find(b"PLTE", 33)
        colours = struct.unpack_from(">I", data, palette - 4)[0] // 3 if palette > 0 else 0
    return Cover(
        data, "image/png", width, height, bits * _PNG_CHANNELS.get(kind, 1), min(colours, 256)
    )


def _jpeg(data: bytes) -> Cover | None:
    """Walk the segments to the frame header (ITU-T T.81)."""
    if not data.startswith(b"\xff\xd8\xff"):
        return None
    offset = 2
    for _ in range(_MOST_SEGMENTS):
        while data[offset] == 0xFF:
            offset += 1
        marker = data[offset]
        if data[offset - 1] != 0xFF or marker in (0xD9, 0xDA):
            break
        offset += 1
        if marker in _STANDALONE:
            continue
        (length,) = struct.unpack_from(">H", data, offset)
        if marker in _FRAME_HEADERS:
            bits, height, width, components = struct.unpack_from(">BHHB", data, offset + 2)
            return Cover(data, "image/jpeg", width, height, bits * components)
        offset += length
    return Cover(data, "image/jpeg", 0, 0, 0)


def _refused(path: Path, why: str) -> NeedsPerson:
    return NeedsPerson(
        f"The cover {path.name} cannot be embedded: {why}.",
        "Replace it by a JPEG or PNG picture of ordinary size, or remove it.",
    )
