"""The hash of the decoded audio: equal for a WAV and the FLAC made of it.

The canonical form is the frames in order, channels interleaved, little-endian: integer samples as
32-bit words with the sample's word at the top and zeros below, float samples as 32 or 64 bits as they
are. So 16-bit audio stored in 24-bit words has the same hash, and so has every lossless container.
Rate and length of the word are not part of it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.errors import Damaged


class AudioHash:
    """SHA-256 of decoded audio, fed with raw blocks (frames, channels) in order."""

    def __init__(self) -> None:
        self._hash = hashlib.sha256()

    def update(self, raw: NDArray[Any]) -> None:
        """Take the next block, int32 (word at the top), float32 or float64."""
        little = raw.astype(raw.dtype.newbyteorder("<"), order="C", copy=False)
        self._hash.update(little.data)

    def hexdigest(self) -> str:
        """Give the hash as 64 hex digits."""
        return self._hash.hexdigest()


@dataclass(frozen=True, slots=True)
class _Expected:
    name: str
    frames: int
    md5: str


class FlacCheck:
    """Compares decoded audio with the MD5 in FLAC's STREAMINFO, part by part (RFC 9639 §8.2).

    That MD5 is over the samples as signed little-endian words of the file's word length, rounded up to
    whole bytes, channels interleaved.

    Args:
        parts: name (for the message), frames and MD5 of every part; an empty MD5 is not checked.
        bits: word length.
    """

    def __init__(self, parts: Sequence[tuple[str, int, str]], bits: int) -> None:
        self._parts: Iterator[_Expected] = (_Expected(*part) for part in parts)
        self._bits = bits
        self._part = next(self._parts)
        self._left = self._part.frames
        self._md5 = hashlib.md5(usedforsecurity=False)

    def update(self, raw: NDArray[Any]) -> None:
        """Take the next block of int32 (frames, channels); a block does not span two parts.

        Raises:
            Damaged: a part is complete and its MD5 is another.
        """
        if self._part.md5:
            self._md5.update(_packed(raw, self._bits))
        self._left -= len(raw)
        if self._left == 0:
            self._finish_part()

    def _finish_part(self) -> None:
        part = self._part
        if part.md5 and self._md5.hexdigest() != part.md5:
            raise Damaged(
                f"{part.name} decodes to other audio than its encoder was given (the MD5 in its header "
                "differs), so it was damaged since.",
                "Copy it again if it was copied; otherwise play the side again.",
            )
        self._part = next(self._parts, part)
        self._left = self._part.frames
        self._md5 = hashlib.md5(usedforsecurity=False)


def _packed(raw: NDArray[Any], bits: int) -> bytes:
    """Pack left-justified int32 words into words of whole bytes, shifted down to `bits`."""
    width = (bits + 7) // 8
    if bits % 8 == 0:
        words = np.ascontiguousarray(raw, "<i4").view(np.uint8).reshape(-1, 4)
        return bytes(words[:, 4 - width :].tobytes())
    shifted = np.right_shift(raw, 32 - bits).astype("<i4")
    return bytes(shifted.view(np.uint8).reshape(-1, 4)[:, :width].tobytes())
