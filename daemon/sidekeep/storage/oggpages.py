"""Making Ogg files repeatable: the encoder numbers its stream by the clock; here the number is given.

Page layout and check sum: RFC 3533 §6. The check sum is a CRC-32 (polynomial 04C11DB7h, no reflection,
starting at 0) over the page with its own field zeroed.
"""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

from sidekeep.errors import MachineFault

_HEAD = struct.Struct("<4sBBqIIIB")
_SERIAL_AT, _CRC_AT = 14, 22
_LAST_PAGE = 4
_MIRRORED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))


def renumber(path: Path, serial: int) -> None:
    """Give every page of a file with one stream this serial number; check that the stream ends.

    Args:
        path: a closed Ogg file.
        serial: 32 bits.

    Raises:
        MachineFault: the file was not written in full.
        OSError: it cannot be read or written.
    """
    flags = 0
    with path.open("r+b") as file:
        while head := file.read(_HEAD.size):
            if len(head) < _HEAD.size or head[:4] != b"OggS":
                raise _cut_short(path)
            flags, segments = head[5], head[26]
            table = file.read(segments)
            body = file.read(sum(table))
            if len(table) < segments or len(body) < sum(table):
                raise _cut_short(path)
            page = bytearray(head + table + body)
            struct.pack_into("<I", page, _SERIAL_AT, serial)
            struct.pack_into("<I", page, _CRC_AT, 0)
            struct.pack_into("<I", page, _CRC_AT, page_crc(page))
            file.seek(-len(page), 1)
            file.write(page)
    if not flags & _LAST_PAGE:
        raise _cut_short(path)


def page_crc(page: bytes | bytearray) -> int:
    """Give the check sum of a page whose own field is zero.

    It is the mirror image of zlib's CRC-32 over mirrored bytes, without that one's inversions.
    """
    mirrored = zlib.crc32(page.translate(_MIRRORED), 0xFFFFFFFF) ^ 0xFFFFFFFF
    return int(f"{mirrored:032b}"[::-1], 2)


def _cut_short(path: Path) -> MachineFault:
    return MachineFault(
        f"{path} was not written in full. It is tried again later.",
        "Check that the disk is not full.",
    )
