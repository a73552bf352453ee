"""AIFF and AIFF-C (Apple, 1989 and 1991)."""

from __future__ import annotations

import struct
from collections.abc import Iterator

from sidekeep.storage.containers.header import Chunk, Header, Malformed, Source, State, extent

_UNFINISHED_SIZES = frozenset((0, 8, 0xFFFFFFFF, 0x7FFFFFFF, 0x7FFFF000, 0x7FFFF024))
_SSND_HEAD = 8
_ACCEPTED = {
    b"NONE": ("pcm", "int", 0),
    b"twos": ("pcm", "int", 0),
    b"sowt": ("pcm", "int", 0),
    b"in24": ("pcm", "int", 24),
    b"in32": ("pcm", "int", 32),
    b"42ni": ("pcm", "int", 24),
    b"23ni": ("pcm", "int", 32),
    b"fl32": ("float", "float", 32),
    b"FL32": ("float", "float", 32),
    b"fl64": ("float", "float", 64),
    b"FL64": ("float", "float", 64),
}
_OTHERS = {
    b"ulaw": "mu-law",
    b"ULAW": "mu-law",
    b"alaw": "a-law",
    b"ALAW": "a-law",
    b"ima4": "ima adpcm",
    b"MAC3": "mace",
    b"MAC6": "mace",
    b"GSM ": "gsm",
    b".mp3": "mp3",
    b"QDMC": "qdesign",
    b"QDM2": "qdesign",
}


def chunks(source: Source) -> Iterator[Chunk]:
    """Walk the chunks of an AIFF or AIFF-C file."""
    offset = 12
    while offset + 8 <= source.size:
        name, size = struct.unpack(">4sI", source.exactly(offset, 8))
        yield Chunk(name, offset + 8, size)
        offset += 8 + size + (size & 1)


def read(source: Source) -> Header | None:
    """Read the header; None when the file is no AIFF."""
    start = source.read(0, 12)
    if start[:4] != b"FORM" or start[8:12] not in (b"AIFF", b"AIFC"):
        return None
    container = start[8:12].decode().lower()
    common: bytes | None = None
    sound: Chunk | None = None
    for chunk in chunks(source):
        if chunk.name == b"COMM":
            common = source.exactly(chunk.offset, min(chunk.size, 64))
        elif chunk.name == b"SSND":
            sound = chunk
        if common is not None and sound is not None:
            break
    if common is None:
        return Header(
            container, state=State.UNFINISHED, reason="its format has not been written yet"
        )
    if len(common) < 18 + 4 * (container == "aifc"):
        raise Malformed("its COMM chunk is too short")
    channels, declared, bits = struct.unpack_from(">HIH", common)
    coding = common[18:22] if container == "aifc" else b"NONE"
    codec, sample_type, fixed_bits = _ACCEPTED.get(
        coding, (_OTHERS.get(coding, f"coding {coding!r}"), "", 0)
    )
    bits = fixed_bits or bits
    rate_hz = _extended(common[8:18])
    state, reason, frames = _extent(
        source, sound, declared, channels * ((bits + 7) // 8), sample_type
    )
    return Header(container, codec, sample_type, bits, rate_hz, channels, frames, state, reason)


def _extent(
    source: Source, sound: Chunk | None, declared: int, frame_bytes: int, sample_type: str
) -> tuple[State, str, int]:
    if sound is None:
        return State.UNFINISHED, "no audio has been written yet", 0
    state, reason, present = extent(sound, source.size, _UNFINISHED_SIZES)
    if not sample_type or frame_bytes <= 0:
        return state, reason, declared
    frames = max(0, present - _SSND_HEAD) // frame_bytes
    if state is State.FINISHED and declared == 0:
        return State.UNFINISHED, "the recorder has not written the length into the header", frames
    if state is State.FINISHED and frames < declared:
        raise Malformed(f"it declares {declared:,} frames but holds {frames:,}")
    return state, reason, min(frames, declared) if state is State.FINISHED else frames


def _extended(data: bytes) -> int:
    """Read an 80-bit IEEE 754 extended number as a whole sample rate; 0 when it is none."""
    exponent, mantissa = struct.unpack(">hQ", data)
    shift = exponent - 16383 - 63
    if exponent < 0 or not -63 <= shift <= 0:
        return 0
    return int(mantissa >> -shift)
