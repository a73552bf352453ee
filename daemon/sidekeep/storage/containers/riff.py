"""RIFF/WAVE and its kin: WAV (with BWF's chunks), RF64 (EBU Tech 3306), BW64 (ITU-R BS.2088)."""

from __future__ import annotations

import struct
from collections.abc import Iterator

from sidekeep.storage.containers.header import Chunk, Header, Malformed, Source, State, extent

_IN_DS64 = 0xFFFFFFFF
# What recorders leave in the size field until they finish: nothing, all ones (streams), and the
# largest signed sizes less a header (observed in programs that write to a pipe).
UNFINISHED_SIZES = frozenset((0, 0xFFFFFFFF, 0x7FFFFFFF, 0x7FFFF000, 0x7FFFF024))
_KINDS = {b"RIFF": "wav", b"RF64": "rf64", b"BW64": "bw64"}
_PCM, _FLOAT, _EXTENSIBLE = 0x0001, 0x0003, 0xFFFE
_GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")
_AMBISONIC_TAIL = bytes.fromhex("00002107d3118644c8c1ca000000")
_CODECS = {
    0x0002: "ms adpcm",
    0x0006: "a-law",
    0x0007: "mu-law",
    0x0011: "ima adpcm",
    0x0031: "gsm",
    0x0040: "g.721 adpcm",
    0x0050: "mpeg layer 2",
    0x0055: "mp3",
    0x0092: "dolby digital",
    0x00FF: "aac",
    0x0160: "wma",
    0x0161: "wma",
    0x0162: "wma",
    0x0163: "wma lossless",
    0x1610: "aac",
    0x2000: "dolby digital",
    0x674F: "vorbis",
    0x6750: "vorbis",
    0x6751: "vorbis",
    0xF1AC: "flac in wav",
}
_TRAILING_AT_MOST = 4096  # bytes after the declared end that are no sign of a broken recording


def chunks(source: Source) -> Iterator[Chunk]:
    """Walk the chunks of a RIFF, RF64 or BW64 file; sizes are as declared, or from `ds64`.

    The walk ends with the file. A `data` chunk that declares no size ends it too.
    """
    wide = source.read(0, 4) in (b"RF64", b"BW64")
    table: dict[bytes, int] = {}
    offset = 12
    while offset + 8 <= source.size:
        name, size = struct.unpack("<4sI", source.exactly(offset, 8))
        if name == b"ds64" and wide:
            table = _ds64(source, offset + 8, size)
        elif size == _IN_DS64 and name in table:
            size = table[name]
        yield Chunk(name, offset + 8, size)
        if name == b"data" and size in UNFINISHED_SIZES:
            return
        offset += 8 + size + (size & 1)


def _ds64(source: Source, offset: int, size: int) -> dict[bytes, int]:
    if size < 28:
        raise Malformed("its ds64 chunk is too short")
    _, data_size, _, entries = struct.unpack("<QQQI", source.exactly(offset, 28))
    table = {b"data": data_size}
    for index in range(min(entries, (size - 28) // 12, 64)):
        name, length = struct.unpack("<4sQ", source.exactly(offset + 28 + 12 * index, 12))
        table.setdefault(name, length)
    return table


def read(source: Source) -> Header | None:
    """Read the header; None when the file is no RIFF/WAVE."""
    start = source.read(0, 12)
    container = _KINDS.get(start[:4])
    if container is None or start[8:12] != b"WAVE":
        return None
    form: tuple[str, str, int, int, int, int] | None = None
    data: Chunk | None = None
    for chunk in chunks(source):
        if chunk.name == b"fmt " and form is None:
            form = format_of(source.exactly(chunk.offset, min(chunk.size, 64)))
        elif chunk.name == b"data":
            data = chunk
            break
    if form is None:
        return Header(
            container, state=State.UNFINISHED, reason="its format has not been written yet"
        )
    frame_bytes = form[5]
    if data is None:
        state, reason, present = State.UNFINISHED, "no audio has been written yet", 0
    else:
        state, reason, present = extent(data, source.size, UNFINISHED_SIZES)
        if state is State.FINISHED and container == "wav":
            state, reason = _tail(source, data)
    frames = present // frame_bytes if frame_bytes else 0
    return Header(
        *(container, *form[:5], frames, state, reason),
        words_at=words_at(form, data.offset if data else 0),
    )


def words_at(form: tuple[str, str, int, int, int, int], offset: int) -> int:
    """Where the words lie one by one, given `format_of` and where the audio begins; else 0."""
    codec, _, bits, _, channels, frame_bytes = form
    return offset if codec == "pcm" and 8 * frame_bytes == channels * bits else 0


def format_of(fmt: bytes) -> tuple[str, str, int, int, int, int]:
    """Read a `fmt ` chunk: codec, sample type, bits, rate, channels, bytes of a frame."""
    if len(fmt) < 14:
        raise Malformed("its fmt chunk is too short")
    tag, channels, rate_hz, _, frame_bytes = struct.unpack_from("<HHIIH", fmt)
    bits = struct.unpack_from("<H", fmt, 14)[0] if len(fmt) >= 16 else 0
    if tag == _EXTENSIBLE and len(fmt) >= 40:
        valid_bits = struct.unpack_from("<H", fmt, 18)[0]
        tag, tail = struct.unpack_from("<H", fmt, 24)[0], fmt[26:40]
        if tail not in (_GUID_TAIL, _AMBISONIC_TAIL):
            return "unknown coding", "", bits, rate_hz, channels, 0
        bits = valid_bits if 0 < valid_bits <= bits else bits
    if tag in (_PCM, _FLOAT):
        container_bytes = (bits + 7) // 8
        if not channels or frame_bytes % channels or frame_bytes // channels < container_bytes:
            raise Malformed("its fmt chunk contradicts itself")
        kind = "int" if tag == _PCM else "float"
        return ("pcm" if tag == _PCM else "float"), kind, bits, rate_hz, channels, frame_bytes
    return _CODECS.get(tag, f"coding {tag:04X}h"), "", bits, rate_hz, channels, 0


def _tail(source: Source, data: Chunk) -> tuple[State, str]:
    """Look whether what follows the audio is chunks and little else.

    A recorder that corrects its header only now and then, and dies, leaves audio after the declared
    end.
    """
    end = data.end + (data.size & 1)
    for _ in range(256):
        if source.size - end < 8:
            return State.FINISHED, ""
        name, size = struct.unpack("<4sI", source.exactly(end, 8))
        if not name.isalnum() and not name.rstrip(b" ").isalnum():
            break
        if end + 8 + size > source.size:
            break
        end += 8 + size + (size & 1)
    rest = source.size - end
    if rest <= _TRAILING_AT_MOST:
        return State.FINISHED, ""
    return State.UNFINISHED, f"{rest:,} bytes follow the end that the header declares"
