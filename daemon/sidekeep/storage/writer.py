"""Writing one copy of a track. The same samples give the same bytes, on any day and machine."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from sidekeep.errors import MachineFault, NeedsPerson
from sidekeep.storage.audiohash import AudioHash
from sidekeep.storage.containers.flac import names_frame_sizes
from sidekeep.storage.containers.header import State
from sidekeep.storage.faults import faults, machine_fault, shortage_on
from sidekeep.storage.header import read_header
from sidekeep.storage.oggpages import renumber
from sidekeep.storage.reader import delivered_blocks

_CONTAINERS = {
    "flac": "FLAC",
    "aiff": "AIFF",
    "wav": "WAV",
    "mp3": "MP3",
    "ogg": "OGG",
    "opus": "OGG",
}
_LOSSY_CODINGS = {"mp3": "MPEG_LAYER_III", "ogg": "VORBIS", "opus": "OPUS"}
_FLAC_LEVEL = 4  # of 0 to 8: a seventh less time than the encoder's own 5, for 0.2 % more bytes
_USUAL_QUALITY = 9.0  # of 0 to 10, when none is given
# libsndfile's compression level at quality 0; at quality 10 it is 0. MP3 has no level beyond V9.
_WORST_LEVEL = {"mp3": 0.9, "ogg": 1.0, "opus": 1.0}
_LOSSY_BLOCK_FRAMES = 1 << 15
_32_BIT_LIMIT = 0xFFFFFFFF - (64 << 20)  # room for tags and a picture in a 32-bit container


class TrackWriter:
    """Writes one copy to `path`, which must be a new file in a stage, never a final name.

    Integer formats take int32 words with the sample at the top and zeros below the copy's word length;
    lossy formats take floats, full scale = 1.0. Blocks are (channels, frames).

    Args:
        path: the file.
        file_format: `flac`, `aiff`, `wav`, `mp3`, `ogg` (Vorbis) or `opus`.
        rate_hz: sample rate.
        channels: 1 or 2.
        bits: 16 or 24; None for lossy formats.
        quality: 0 to 10 for lossy formats, 10 the best.
        seed: names the audio (recording's hash and track); Ogg streams are numbered by it.
        room_bytes: room kept for tags and picture, so that FLAC files need not be shifted for them.
        proof: remember what is written, so that `prove` can compare.

    Raises:
        MachineFault: the file cannot be made.
    """

    def __init__(
        self,
        path: Path,
        file_format: str,
        rate_hz: int,
        channels: int,
        bits: int | None = None,
        *,
        quality: float | None = None,
        seed: str = "",
        room_bytes: int = 8192,
        proof: bool = False,
    ) -> None:
        self.path, self.file_format = path, file_format
        self.frames = 0
        self._limit = None if file_format not in {"aiff", "wav"} else _32_BIT_LIMIT
        self._frame_bytes = channels * (bits or 0) // 8
        self._serial = int.from_bytes(
            hashlib.sha256(f"{seed}/{file_format}".encode()).digest()[:4], "big"
        )
        self._proof = AudioHash() if proof and bits is not None else None
        self._rest = np.empty((0, channels)) if bits is None else None
        options: dict[str, Any] = {}
        if file_format == "flac":
            options["compression_level"] = _FLAC_LEVEL / 8
        elif bits is None:
            wanted = _USUAL_QUALITY if quality is None else quality
            options["compression_level"] = (1.0 - wanted / 10.0) * _WORST_LEVEL[file_format]
        if file_format == "mp3":
            options["bitrate_mode"] = "VARIABLE"
        with faults("making", path):
            os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o644))
        with self._writing():
            self._file = soundfile.SoundFile(
                path,
                "w",
                rate_hz,
                channels,
                subtype=f"PCM_{bits}" if bits is not None else _LOSSY_CODINGS[file_format],
                format=_CONTAINERS[file_format],
                **options,
            )
            if file_format == "flac":
                # The encoder leaves no padding; a long comment keeps the room, and tagging replaces it.
                self._file.comment = " " * room_bytes

    def write(self, block: NDArray[Any]) -> None:
        """Write the next block.

        Raises:
            MachineFault: the disk is full or failed.
            NeedsPerson: the track is too long for a container with 32-bit sizes.
        """
        self.frames += block.shape[1]
        if self._limit is not None and self.frames * self._frame_bytes > self._limit:
            raise NeedsPerson(
                f"{self.path.name} would be larger than {self.file_format.upper()} files can be (4 GiB).",
                "Deliver FLAC, or cut the side into tracks.",
            )
        # Row by row: a copy of the turned block takes seven times as long.
        rows = np.stack(tuple(block), axis=1)
        if self._proof is not None:
            self._proof.update(rows)
        self._write(rows if self._rest is None else self._equal_blocks(rows))

    def close(self) -> None:
        """Finish the file, and look whether all of it is there. Flushing to the disk is sealing's part.

        Raises:
            MachineFault: it was not written in full.
        """
        if self._rest is not None:
            self._write(self._rest)
        with self._writing():
            self._file.close()
        with faults("writing", self.path):
            if self.file_format in {"ogg", "opus"}:
                renumber(self.path, self._serial)
            elif self.file_format == "mp3":
                # The library tells no error of its last writes: the end, and the table at the beginning.
                if _bytes_of_mp3(self.path) != self.path.stat().st_size:
                    raise self._not_in_full("its end or its table is missing")
            else:
                header = read_header(self.path)
                if header.state is not State.FINISHED or header.frames != self.frames:
                    raise self._not_in_full(header.reason)
            if self.file_format == "flac":
                # The library does not say when this last write fails, and nothing else tells.
                with self.path.open("rb") as file:
                    if not names_frame_sizes(file.read(18)):
                        raise self._not_in_full("the encoder could not finish its header")

    def _equal_blocks(self, rows: NDArray[Any]) -> NDArray[Any]:
        """Give whole blocks and keep the rest: Vorbis codes otherwise where writes meet."""
        rows = np.concatenate([self._rest, rows]) if self._rest is not None else rows
        whole = len(rows) - len(rows) % _LOSSY_BLOCK_FRAMES
        self._rest = rows[whole:]
        return rows[:whole]

    def _write(self, rows: NDArray[Any]) -> None:
        step = _LOSSY_BLOCK_FRAMES if self._rest is not None else len(rows)
        with self._writing():
            for start in range(0, len(rows), step or 1):
                self._file.write(rows[start : start + step])

    def prove(self) -> None:
        """Decode a closed lossless file and compare it with what was written.

        Raises:
            MachineFault: it decodes to other audio.
            Damaged: it cannot be decoded.
        """
        if self._proof is None:
            raise ValueError("only for word lengths, and only when asked for at the start")
        decoded = AudioHash()
        for block in delivered_blocks(self.path, np.int32):
            decoded.update(block.T)
        if decoded.hexdigest() != self._proof.hexdigest():
            raise self._not_in_full("it decodes to other audio than was written")

    def __enter__(self) -> TrackWriter:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if error is None:
            self.close()
        else:
            self._file.close()

    def _writing(self) -> _Writing:
        return _Writing(self.path)

    def _not_in_full(self, reason: str) -> MachineFault:
        return MachineFault(
            f"{self.path} was not written in full: {reason or 'frames are missing'}. "
            "It is tried again later.",
            "Check that the disk is not full.",
        )


def _bytes_of_mp3(path: Path) -> int:
    """Give the size that an MP3's own table states, 0 when there is none.

    The encoder writes it last, into the first frame: `Xing`, four bytes of flags, frames, bytes.
    """
    with path.open("rb") as file:
        head = file.read(64)
    at = head.find(b"Xing")
    return int.from_bytes(head[at + 12 : at + 16], "big") if at >= 0 else 0


class _Writing:
    """Turn the encoder's errors into those of the machine: what we hand it is valid."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        # python-soundfile asserts that everything was written, and so fails on a full disk.
        if isinstance(error, (soundfile.SoundFileError, AssertionError)):
            raise machine_fault(shortage_on(self._path), "writing", self._path) from error
        if isinstance(error, OSError):
            raise machine_fault(error, "writing", self._path) from error
