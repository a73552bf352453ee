"""Reading recordings: several files on one time line, in blocks, each frame decoded once.

Blocks come with channels as rows, `(channels, frames)`. The raw form, as the decoder gives it, is
`(frames, channels)`: int32 with the sample's word at the top for integer files, float32 or float64 for
float files.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import DTypeLike, NDArray

from sidekeep.errors import Damaged, OutsideLimits
from sidekeep.model import Part, Recording
from sidekeep.storage.audiohash import AudioHash, FlacCheck
from sidekeep.storage.containers.header import Header
from sidekeep.storage.faults import faults
from sidekeep.storage.header import check_acceptable, read_header
from sidekeep.storage.plainwords import WORDS_BITS, PlainWords
from sidekeep.storage.recorder_tags import read_recorder_tags

Raw = NDArray[Any]
BLOCK_FRAMES = 1 << 16
_COMPARED_FRAMES = 1024
LOUDEST = 1000.0  # 60 dB above full scale: no converter or mixer comes near


@dataclass(frozen=True, slots=True)
class _Part:
    path: Path
    header: Header
    bytes: int
    start: int  # on the common time line

    @property
    def end(self) -> int:
        return self.start + self.header.frames


class AudioReader:
    """The files of one recording, joined sample-exactly.

    Args:
        paths: the files in order; all of one sample type, word length, rate and number of channels.

    Raises:
        Unusable: a file cannot be processed (see `check_acceptable`).
        OutsideLimits: the parts do not fit together.
        MachineFault: a file cannot be read.
    """

    def __init__(self, paths: Sequence[str | Path]) -> None:
        parts: list[_Part] = []
        for path in map(Path, paths):
            with faults("reading", path):
                header, size = read_header(path), path.lstat().st_size
            check_acceptable(header, path.name)
            parts.append(_Part(path, header, size, parts[-1].end if parts else 0))
        self._parts = tuple(parts)
        self._first = parts[0].header
        self.rate_hz, self.channels = self._first.rate_hz, self._first.channels
        self.frames = parts[-1].end
        for part in parts[1:]:
            self._check_fits(part)

    def recording(self) -> Recording:
        """Give the recording; the hashes of its files are left empty.

        Raises:
            MachineFault: a file cannot be read.
        """
        first = self._parts[0].path
        with faults("reading", first):
            tags = read_recorder_tags(first).fields
        return Recording(
            parts=tuple(
                Part(part.path.name, part.header.frames, part.bytes) for part in self._parts
            ),
            container=self._first.container,
            sample_type=self._first.sample_type,
            bits=self._first.bits,
            rate_hz=self.rate_hz,
            channels=self.channels,
            frames=self.frames,
            tags=tags,
        )

    def checked_blocks(
        self, room: Callable[[int, int], NDArray[np.float32]], block_frames: int
    ) -> Iterator[NDArray[np.float32]]:
        """Read everything once and compare it with the MD5 that a FLAC file carries.

        Args:
            room: gives the array, (channels, frames), that the next block is written into.
            block_frames: length of every block but the last of a file.

        Raises:
            Damaged: see `blocks`; also when FLAC's own MD5 differs.
            MachineFault: the disk failed.
        """
        flac = FlacCheck(
            [(part.path.name, part.header.frames, part.header.md5) for part in self._parts],
            self._first.bits,
        )
        for raw in self.raw_blocks(block_frames=block_frames):
            flac.update(raw)
            yield _as_floats(raw, room(self.channels, len(raw)))

    def audio_sha256(self) -> str:
        """Read everything and hash the decoded frames (see `AudioHash`); 64 hex digits.

        Raises:
            Damaged: see `blocks`.
            MachineFault: the disk failed.
        """
        audio = AudioHash()
        for raw in self.raw_blocks():
            audio.update(raw)
        return audio.hexdigest()

    def _check_fits(self, part: _Part) -> None:
        header = part.header
        first = self._first
        mine = (first.sample_type, first.bits, first.rate_hz, first.channels)
        if (header.sample_type, header.bits, header.rate_hz, header.channels) != mine:
            raise OutsideLimits(
                f"{part.path.name} has another rate, word length or number of channels than "
                f"{self._parts[0].path.name}, so they cannot be parts of one recording.",
                "Drop them one by one, or in folders of their own.",
            )

    def blocks(
        self,
        start: int = 0,
        stop: int | None = None,
        *,
        block_frames: int = BLOCK_FRAMES,
        dtype: DTypeLike = np.float64,
    ) -> Iterator[NDArray[Any]]:
        """Read blocks of floats, full scale = 1.0, each a new array (channels, frames).

        24-bit samples are exact in float32, 32-bit samples in float64.

        Args:
            start: first frame.
            stop: the frame after the last; the end when None.
            block_frames: length of every block but the last.
            dtype: float32 or float64.

        Raises:
            Damaged: decoding fails, gives fewer frames than declared, or gives what is no number.
            MachineFault: the disk failed.
        """
        for raw in self.raw_blocks(start, stop, block_frames=block_frames):
            yield _as_floats(raw, np.empty(raw.shape[::-1], dtype))

    def raw_blocks(
        self, start: int = 0, stop: int | None = None, *, block_frames: int = BLOCK_FRAMES
    ) -> Iterator[Raw]:
        """Read blocks as the decoder gives them, (frames, channels).

        A block is valid until the next one is asked for. Blocks may be shorter where parts meet.

        Raises:
            Damaged: see `blocks`.
            MachineFault: the disk failed.
        """
        stop = self.frames if stop is None else stop
        if not 0 <= start <= stop <= self.frames:
            raise ValueError(f"frames {start} to {stop} of {self.frames}")
        buffer = np.empty((block_frames, self.channels), self._raw_type())
        for part in self._parts:
            first, last = max(start, part.start), min(stop, part.end)
            if first < last:
                yield from _decoded(part, first - part.start, last - part.start, buffer)

    def _raw_type(self) -> DTypeLike:
        if self._first.sample_type == "int":
            return np.int32
        return np.float32 if self._first.bits == 32 else np.float64


def delivered_blocks(path: Path, dtype: DTypeLike = np.float32) -> Iterator[NDArray[Any]]:
    """Decode a copy that was just written, lossy ones too: blocks (channels, frames), not clipped.

    With int32 the words stand at the top.

    Raises:
        Damaged: it cannot be decoded.
        MachineFault: the disk failed.
    """
    part = _Part(path, Header(path.suffix[1:]), 0, 0)
    with _opened(part) as file:
        while True:
            with _decoding(part, "on the way"):
                found = file.read(BLOCK_FRAMES, dtype=np.dtype(dtype).name, always_2d=True)
            if not len(found):
                return
            yield np.ascontiguousarray(found.T)


def _decoded(part: _Part, start: int, stop: int, buffer: Raw) -> Iterator[Raw]:
    with _opened(part) as file:
        if (file.frames, file.samplerate, file.channels) != (
            part.header.frames,
            part.header.rate_hz,
            part.header.channels,
        ):
            raise Damaged(
                f"{part.path.name} decodes to {file.frames:,} frames of {file.channels} channels at "
                f"{file.samplerate:,} Hz; its header declares {part.header.frames:,} frames of "
                f"{part.header.channels} at {part.header.rate_hz:,} Hz."
            )
        with _source(part, file, start) as source:
            position = start
            while position < stop:
                wanted = buffer[: min(len(buffer), stop - position)]
                where = _between(part, position, position + len(wanted))
                with _decoding(part, where), faults("reading", part.path):
                    found = source.read(out=wanted)
                if len(found) < len(wanted):
                    raise _unreadable(part, where, "the audio ends before its declared length")
                if found.dtype.kind == "f" and not np.abs(found).max() <= LOUDEST:  # nor is NaN
                    first = position + int((~(np.abs(found) <= LOUDEST)).any(axis=1).argmax())
                    raise Damaged(
                        f"{part.path.name} holds samples that are no numbers or no sound, first at "
                        f"{first / part.header.rate_hz:.3f} s.",
                        "The recorder or a program after it failed; play the side again.",
                    )
                yield found
                position += len(found)


def _between(part: _Part, start: int, stop: int) -> str:
    rate_hz = part.header.rate_hz
    return f"between {start / rate_hz:.1f} and {stop / rate_hz:.1f} s"


@contextmanager
def _source(
    part: _Part, file: soundfile.SoundFile, start: int
) -> Iterator[soundfile.SoundFile | PlainWords]:
    """Give what reads the part from a frame on: its words themselves where the decoder sees the same."""
    with _decoding(part, "at its start"):
        if start:
            file.seek(start)
    header = part.header
    if not header.words_at or header.bits not in WORDS_BITS:
        yield file
        return
    with faults("reading", part.path):
        words = PlainWords(part.path, header.words_at, header.bits, header.channels)
    with words:
        heard = np.zeros(
            (2, min(_COMPARED_FRAMES, header.frames - start), header.channels), np.int32
        )
        words.seek(start)
        with _decoding(part, "at its start"), faults("reading", part.path):
            same = np.array_equal(words.read(heard[0]), file.read(out=heard[1]))
            file.seek(start)
        words.seek(start)
        yield words if same else file


def _opened(part: _Part) -> soundfile.SoundFile:
    with _decoding(part, "at its start"):
        return soundfile.SoundFile(os.fsencode(part.path))  # a name need not be text


class _decoding:  # noqa: N801  (used like a function)
    """Turn the decoder's errors into `Damaged`, unless it was the disk that failed."""

    def __init__(self, part: _Part, where: str) -> None:
        self._part, self._where = part, where

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        if isinstance(error, (soundfile.SoundFileError, RuntimeError)):
            raise _unreadable(self._part, self._where, str(error)) from error


def _unreadable(part: _Part, where: str, why: str) -> Damaged:
    """Say that decoding failed; but if the bytes themselves cannot be read, raise that instead."""
    with faults("reading", part.path), part.path.open("rb", buffering=0) as file:
        while file.read(1 << 20):
            pass
    return Damaged(
        f"{part.path.name} cannot be decoded {where}: {why.rstrip('.')}.",
        "Copy it again if it was copied; otherwise play the side again.",
    )


def _as_floats(raw: Raw, floats: NDArray[Any]) -> NDArray[Any]:
    np.copyto(floats, raw.T, casting="same_kind" if raw.dtype.kind == "f" else "unsafe")
    if raw.dtype.kind == "i":
        floats *= floats.dtype.type(2.0**-31)
    return floats
