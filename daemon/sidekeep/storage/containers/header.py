"""What the head of an audio file says, and the bounded reading that finds it out."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from enum import StrEnum


class State(StrEnum):
    """Whether a file is complete, as far as its own header tells."""

    FINISHED = "finished"
    UNFINISHED = "unfinished"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Header:
    """The head of a file.

    `container` is `wav`, `rf64`, `bw64`, `w64`, `aiff`, `aifc`, `caf`, `flac`, or a word for what else
    it is (`mp3`, `html`, `empty`, `unknown`). `codec` is `pcm`, `float` or `flac` where we accept it,
    otherwise the name of the coding. `sample_type` is `int` or `float`; `bits` the word length.
    Numbers are 0 where the header does not give them. `reason` says why the state is what it is.
    `md5` is FLAC's hash of the decoded audio, 32 hex digits, where the encoder gave it. `words_at` is the
    byte where the audio begins if it lies there as little-endian integers, word by word, else 0.
    """

    container: str
    codec: str = ""
    sample_type: str = ""
    bits: int = 0
    rate_hz: int = 0
    channels: int = 0
    frames: int = 0
    state: State = State.UNKNOWN
    reason: str = ""
    md5: str = ""
    words_at: int = 0


class Malformed(Exception):
    """A header breaks the rules of its container."""


_BYTES_READ_AT_MOST = 4 << 20
_COST_OF_A_READ = 512  # a read costs something even where it gives nothing


@dataclass(slots=True)
class Source:
    """The bytes of a file, read at any offset; all reads together are bounded.

    A hostile file can so cost neither time nor memory.
    """

    descriptor: int
    size: int
    _left: int = field(default=_BYTES_READ_AT_MOST)

    def read(self, offset: int, length: int) -> bytes:
        """Give `length` bytes at `offset`, fewer at the end of the file.

        Raises:
            Malformed: too much would be read for a header.
            OSError: the disk failed.
        """
        if offset < 0 or length > self._left:
            raise Malformed("its header is endless")
        self._left -= length + _COST_OF_A_READ
        return os.pread(self.descriptor, length, offset)

    def exactly(self, offset: int, length: int) -> bytes:
        """Give just `length` bytes.

        Raises:
            Malformed: the file ends before.
        """
        data = self.read(offset, length)
        if len(data) < length:
            raise Malformed("the file ends inside its header")
        return data


@dataclass(frozen=True, slots=True)
class Chunk:
    """A chunk: its name, where its content begins, and how many bytes it declares."""

    name: bytes
    offset: int
    size: int

    @property
    def end(self) -> int:
        """Where the declared content ends."""
        return self.offset + self.size


def extent(data: Chunk, size: int, markers: frozenset[int]) -> tuple[State, str, int]:
    """Compare what the audio chunk declares with the bytes that are there.

    Args:
        data: the audio chunk, its size as declared.
        size: length of the file.
        markers: declared sizes that recorders write until they finish.

    Returns:
        The state, its reason, and how many bytes of audio are there.
    """
    present = max(0, min(data.size, size - data.offset))
    if data.size in markers and data.end != size:
        present = max(0, size - data.offset)
        return State.UNFINISHED, "the recorder has not written the length into the header", present
    if data.size == 0:
        return State.UNFINISHED, "the header says that no audio has been recorded yet", 0
    if data.end > size:
        missing = data.end - size
        return State.UNFINISHED, f"{missing:,} of {data.size:,} bytes of audio are missing", present
    return State.FINISHED, "", present
