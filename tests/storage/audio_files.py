"""Audio files for the storage tests: by libsndfile where it can, by hand where it cannot."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray


def words(frames: int, channels: int = 2, bits: int = 24, seed: int = 1) -> NDArray[np.int32]:
    """Noise as (frames, channels) of int32, the word at the top."""
    rng = np.random.default_rng(seed)
    high = 2 ** (bits - 2)
    noise = rng.integers(-high, high, (frames, channels), dtype=np.int64)
    return (noise << (32 - bits)).astype(np.int32)


def write(path: Path, samples: NDArray[Any], rate_hz: int = 48_000, **options: Any) -> Path:
    soundfile.write(path, samples, rate_hz, **options)
    return path


def chunk(name: bytes, content: bytes, size: int | None = None) -> bytes:
    """A RIFF chunk, its declared size a lie where one is given."""
    declared = len(content) if size is None else size
    return struct.pack("<4sI", name, declared) + content + b"\0" * (len(content) & 1)


def fmt(
    tag: int = 1, channels: int = 2, rate_hz: int = 44_100, bits: int = 16, extra: bytes = b""
) -> bytes:
    frame = channels * ((bits + 7) // 8)
    head = struct.pack("<HHIIHH", tag, channels, rate_hz, rate_hz * frame, frame, bits)
    return chunk(b"fmt ", head + extra)


def riff(*chunks: bytes, size: int | None = None, kind: bytes = b"RIFF") -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return kind + struct.pack("<I", len(body) if size is None else size) + body


def wav(data: bytes = b"\1\2" * 2000, declared: int | None = None, **form: Any) -> bytes:
    return riff(fmt(**form), chunk(b"data", data, declared))


def bext(description: str = "", date: str = "", time: str = "", reference: int = 0) -> bytes:
    """EBU Tech 3285 v2, the table of fields."""
    content = bytearray(602)
    content[: len(description)] = description.encode()
    content[256:264] = b"recorder"
    content[320 : 320 + len(date)] = date.encode()
    content[330 : 330 + len(time)] = time.encode()
    struct.pack_into("<Q", content, 338, reference)
    struct.pack_into("<H", content, 346, 2)
    return chunk(b"bext", bytes(content) + b"A=ANALOGUE,M=stereo,T=33 1/3 rpm\r\n")
