"""Core Audio Format (Apple, Core Audio Format Specification 1.0)."""

from __future__ import annotations

import struct
from collections.abc import Iterator

from sidekeep.storage.containers.header import Chunk, Header, Malformed, Source, State, extent

_FLOAT_FLAG = 1
_OPEN_END = 0xFFFFFFFFFFFFFFFF  # -1: the data chunk runs to the end of the file
_EDIT_COUNT = 4
_CODECS = {
    b"alac": "alac",
    b"aac ": "aac",
    b"ima4": "ima adpcm",
    b"MAC3": "mace",
    b"MAC6": "mace",
    b"ulaw": "mu-law",
    b"alaw": "a-law",
    b".mp1": "mpeg layer 1",
    b".mp2": "mpeg layer 2",
    b".mp3": "mp3",
    b"opus": "opus",
    b"flac": "flac in caf",
}


def chunks(source: Source) -> Iterator[Chunk]:
    """Walk the chunks of a CAF file."""
    offset = 8
    while offset + 12 <= source.size:
        name, size = struct.unpack(">4sQ", source.exactly(offset, 12))
        yield Chunk(name, offset + 12, size)
        if size >= 1 << 63:
            return
        offset += 12 + size


def read(source: Source) -> Header | None:
    """Read the header; None when the file is no CAF."""
    if source.read(0, 4) != b"caff":
        return None
    form: tuple[str, str, int, int, int, int] | None = None
    for chunk in chunks(source):
        if chunk.name == b"desc":
            form = _description(source.exactly(chunk.offset, 32))
        elif chunk.name == b"data" and form is not None:
            state, reason, present = extent(chunk, source.size, frozenset((0, 4, _OPEN_END)))
            frames = max(0, present - _EDIT_COUNT) // form[5] if form[5] else 0
            return Header("caf", *form[:5], frames, state, reason)
    return Header("caf", state=State.UNFINISHED, reason="no audio has been written yet")


def _description(desc: bytes) -> tuple[str, str, int, int, int, int]:
    """Read a `desc` chunk: codec, sample type, bits, rate, channels, bytes of a frame."""
    rate, coding, flags, packet_bytes, packet_frames, channels, bits = struct.unpack(">d4s5I", desc)
    if not 0 <= rate <= 1e9:
        raise Malformed("its sample rate is no number")
    rate_hz = int(rate) if rate == int(rate) else 0
    if coding != b"lpcm":
        return _CODECS.get(coding, f"coding {coding!r}"), "", bits, rate_hz, channels, 0
    if packet_frames != 1 or packet_bytes < channels * ((bits + 7) // 8):
        raise Malformed("its desc chunk contradicts itself")
    floats = bool(flags & _FLOAT_FLAG)
    codec, kind = ("float", "float") if floats else ("pcm", "int")
    return codec, kind, bits, rate_hz, channels, packet_bytes
