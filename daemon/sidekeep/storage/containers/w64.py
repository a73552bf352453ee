"""Wave64: RIFF with 128-bit names and 64-bit sizes that count their own 24-byte heads."""

from __future__ import annotations

import struct
from collections.abc import Iterator

from sidekeep.storage.containers.header import Chunk, Header, Malformed, Source, State, extent
from sidekeep.storage.containers.riff import format_of, words_at

RIFF = bytes.fromhex("726966662e91cf11a5d628db04c10000")
_TAIL = bytes.fromhex("f3acd3118cd100c04f8edb8a")
WAVE = b"wave" + _TAIL
_HEAD = 24
# A size of nothing, of all ones, or of just the chunk's own head stands until the recorder finishes.
_UNFINISHED_SIZES = frozenset((0, 0xFFFFFFFFFFFFFFFF - _HEAD, 0x7FFFFFFFFFFFFFFF - _HEAD))


def chunks(source: Source) -> Iterator[Chunk]:
    """Walk the chunks of a Wave64 file; names are the first four bytes."""
    offset = 40
    while offset + _HEAD <= source.size:
        head = source.exactly(offset, _HEAD)
        size = struct.unpack("<Q", head[16:])[0]
        content = max(0, size - _HEAD)
        known = head[4:16] == _TAIL
        yield Chunk(head[:4] if known else b"", offset + _HEAD, content)
        if known and head[:4] == b"data" and content in _UNFINISHED_SIZES:
            return
        if size < _HEAD:
            raise Malformed("a chunk is shorter than its own head")
        offset += (size + 7) & ~7


def read(source: Source) -> Header | None:
    """Read the header; None when the file is no Wave64."""
    start = source.read(0, 40)
    if start[:16] != RIFF or start[24:40] != WAVE:
        return None
    form: tuple[str, str, int, int, int, int] | None = None
    for chunk in chunks(source):
        if chunk.name == b"fmt " and form is None:
            form = format_of(source.exactly(chunk.offset, min(chunk.size, 64)))
        elif chunk.name == b"data" and form is not None:
            state, reason, present = extent(chunk, source.size, _UNFINISHED_SIZES)
            frames = present // form[5] if form[5] else 0
            at = words_at(form, chunk.offset)
            return Header("w64", *form[:5], frames, state, reason, words_at=at)
    return Header("w64", state=State.UNFINISHED, reason="no audio has been written yet")
