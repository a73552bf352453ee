"""FLAC (RFC 9639): STREAMINFO, and whether the last frame is there."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice

from sidekeep.storage.containers.header import Chunk, Header, Malformed, Source, State

MARK = b"fLaC"
STREAMINFO, VORBIS_COMMENT = 0, 4
_TAIL_BYTES = 64 << 10
_LARGEST_TAIL = 1 << 20
_ID3V1_BYTES = 128
_MOST_SYNC_CODES = 20_000  # a sound tail has a few dozen; a hostile one must not cost seconds
_MOST_LAST_FRAMES = 4
_BLOCK_SIZES = {1: 192, 2: 576, 3: 1152, 4: 2304, 5: 4608}


def blocks(source: Source) -> Iterator[Chunk]:
    """Walk the metadata blocks; names are the block type as one byte. Ends where the audio begins."""
    offset = start_of(source) + 4
    for _ in range(1024):
        head = source.exactly(offset, 4)
        size = int.from_bytes(head[1:], "big")
        yield Chunk(bytes([head[0] & 0x7F]), offset + 4, size)
        offset += 4 + size
        if head[0] & 0x80:
            return
    raise Malformed("its metadata never ends")


def start_of(source: Source) -> int:
    """Give where `fLaC` stands: at the beginning, or after an ID3v2 tag; -1 when nowhere."""
    head = source.read(0, 10)
    if head[:4] == MARK:
        return 0
    if head[:3] == b"ID3" and source.read(after_tag(head), 4) == MARK:
        return after_tag(head)
    return -1


def after_tag(head: bytes) -> int:
    """Give where an ID3v2 tag ends, from the first bytes of its file (ID3v2.4.0, 3.1)."""
    if len(head) < 10:
        return 10
    return 10 + (head[6] << 21 | head[7] << 14 | head[8] << 7 | head[9])


def read(source: Source) -> Header | None:
    """Read the header; None when the file is no FLAC."""
    if start_of(source) < 0:
        return None
    info = next(blocks(source))
    if info.name != bytes([STREAMINFO]) or info.size < 34:
        raise Malformed("it does not begin with STREAMINFO")
    stream = source.exactly(info.offset, 34)
    packed = int.from_bytes(stream[10:18], "big")
    rate_hz, channels = packed >> 44, (packed >> 41 & 7) + 1
    bits, frames = (packed >> 36 & 31) + 1, packed & 0xFFFFFFFFF
    md5 = stream[18:].hex() if any(stream[18:]) else ""
    state, reason = _extent(source, stream, frames, channels)
    return Header("flac", "flac", "int", bits, rate_hz, channels, frames, state, reason, md5)


def names_frame_sizes(head: bytes) -> bool:
    """Whether STREAMINFO says how large frames are, which encoders write last (RFC 9639 §8.2).

    Args:
        head: the first bytes of a file that begins with `fLaC`, 18 or more.
    """
    return any(head[12:15]) and any(head[15:18])


def _extent(source: Source, stream: bytes, frames: int, channels: int) -> tuple[State, str]:
    """Look for the last frame: it must end where the declared frames end, and be whole."""
    if frames == 0:
        return State.UNFINISHED, "the encoder has not written the length into the header"
    block_size = int.from_bytes(stream[2:4], "big")
    largest_frame = int.from_bytes(stream[7:10], "big")
    span = min(max(_TAIL_BYTES, largest_frame + _ID3V1_BYTES), _LARGEST_TAIL, source.size)
    tail = source.exactly(source.size - span, span)
    if tail[-_ID3V1_BYTES:].startswith(b"TAG"):
        tail = tail[:-_ID3V1_BYTES]
    starts = islice(_frame_starts(tail), _MOST_SYNC_CODES)
    ending = (
        start
        for start in starts
        if _frame_end(tail[start : start + 16], block_size, channels) == frames
    )
    if any(_crc16(tail[start:]) == 0 for start in islice(ending, _MOST_LAST_FRAMES)):
        return State.FINISHED, ""
    return State.UNFINISHED, "its last frame is missing or not whole"


def _frame_starts(tail: bytes) -> Iterator[int]:
    """Give where a frame may begin, the last ones first (RFC 9639 §9.1.1, sync code)."""
    start = len(tail)
    while (start := tail.rfind(b"\xff", 0, start)) >= 0:
        if tail[start + 1 : start + 2] in (b"\xf8", b"\xf9"):
            yield start


def _frame_end(head: bytes, block_size: int, channels: int) -> int:
    """Give the number of the frame after the last sample of a frame; -1 when it is no frame header."""
    if len(head) < 6 or head[3] & 1 or (head[2] >> 4) in (0,) or (head[2] & 15) == 15:
        return -1
    assignment = head[3] >> 4
    if (assignment + 1 if assignment < 8 else 2) != channels or assignment > 10:
        return -1
    number, offset = _coded_number(head)
    if offset < 0:
        return -1
    code = head[2] >> 4
    size = _BLOCK_SIZES.get(code, 256 << (code - 8) if code >= 8 else 0)
    if code in (6, 7):
        size = int.from_bytes(head[offset : offset + code - 5], "big") + 1
        offset += code - 5
    offset += {12: 1, 13: 2, 14: 2}.get(head[2] & 15, 0)
    if _crc8(head[:offset]) != head[offset : offset + 1]:
        return -1
    first = number if head[1] & 1 else number * block_size
    return first + size


def _coded_number(head: bytes) -> tuple[int, int]:
    """Read the number coded like UTF-8 at byte 4: the number, and where the header goes on."""
    lead = head[4]
    if lead < 0x80:
        return lead, 5
    length = next((n for n in range(2, 8) if (lead << n) & 0x80 == 0), 0)
    if not length or lead < 0xC0 or len(head) < 4 + length:
        return 0, -1
    number = lead & ((1 << (7 - length)) - 1) if length < 7 else 0
    for byte in head[5 : 4 + length]:
        if byte & 0xC0 != 0x80:
            return 0, -1
        number = number << 6 | byte & 0x3F
    return number, 4 + length


def _table(polynomial: int, bits: int) -> tuple[int, ...]:
    top, mask = 1 << (bits - 1), (1 << bits) - 1
    table = []
    for byte in range(256):
        value = byte << (bits - 8)
        for _ in range(8):
            value = (value << 1 ^ polynomial) & mask if value & top else value << 1 & mask
        table.append(value)
    return tuple(table)


_CRC8 = _table(0x07, 8)  # RFC 9639 §9.1.8
_CRC16 = _table(0x8005, 16)  # RFC 9639 §9.3


def _crc8(data: bytes) -> bytes:
    value = 0
    for byte in data:
        value = _CRC8[value ^ byte]
    return bytes([value])


def _crc16(data: bytes) -> int:
    value = 0
    for byte in data:
        value = (value << 8 & 0xFFFF) ^ _CRC16[value >> 8 ^ byte]
    return value
