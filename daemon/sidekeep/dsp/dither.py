"""From real numbers to words of n bits, with dither where the word length falls.

TPDF dither after Lipshitz and Vanderkooy: the sum of two independent uniform variables, each one step
wide, added before rounding. The error is then white, its power (1/4 of a squared step: dither 1/6,
rounding 1/12) the same whatever the signal. Digital silence is dithered like everything else: a noise
that stops and starts would be more audible than one that stays.
"""

from __future__ import annotations

import hashlib

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.treatment import Samples


def dither_seed(recording_sha256: str, track_number: int) -> int:
    """Return the seed of a track's dither: the same recording and track give the same noise."""
    named = f"{recording_sha256}/{track_number}".encode()
    return int.from_bytes(hashlib.sha256(named).digest()[:16], "big")


class WordLength:
    """Rounds samples to words of `bits`, never wrapping; blocks of any length give the same words.

    Args:
        bits: word length, 8 to 32.
        channels: number of channels; each has a noise of its own.
        seed: seed of the dither; None rounds without dither, for samples that are such words already.

    Attributes:
        saturated: how many samples were beyond full scale so far.
    """

    def __init__(self, bits: int, channels: int, seed: int | None) -> None:
        if not 8 <= bits <= 32:
            message = f"a word of {bits} bits; 8 to 32 can be written"
            raise ValueError(message)
        self.saturated = 0
        self._bits = bits
        self._noise: list[_Noise] = []
        if seed is not None:
            streams = np.random.SeedSequence(seed).spawn(channels)
            self._noise = [_Noise(stream) for stream in streams]

    def process(self, block: Samples) -> NDArray[np.int32]:
        """Turn a block (channels, frames), full scale = 1.0, into words (channels, frames).

        The words fill their 32 bits from the top, as libsndfile takes integers of any word length.
        """
        steps = block * float(2 ** (self._bits - 1))
        for channel, noise in enumerate(self._noise):
            steps[channel] += noise.triangular(block.shape[1])
        np.rint(steps, out=steps)
        lowest, highest = -(2 ** (self._bits - 1)), 2 ** (self._bits - 1) - 1
        if steps.max(initial=0.0) > highest or steps.min(initial=0.0) < lowest:
            self.saturated += int(np.count_nonzero((steps > highest) | (steps < lowest)))
            np.clip(steps, lowest, highest, out=steps)
        words = steps.astype(np.int32)
        words <<= np.int32(32 - self._bits)
        return words


class _Noise:
    """Uniform numbers of 32 bits in one running order, however many are taken at a time."""

    def __init__(self, seed: np.random.SeedSequence) -> None:
        self._source = np.random.SFC64(seed)
        self._spare = np.zeros(0, np.uint32)

    def triangular(self, frames: int) -> Samples:
        """Sums of two uniform variables, in steps, from -1 to 1 with mean 0, shape (frames,)."""
        numbers = self._take(frames)
        sums = numbers >> np.uint32(16)
        sums += numbers & np.uint32(0xFFFF)
        centred = sums.view(np.int32)
        centred -= np.int32(65535)
        return np.multiply(centred, 1.0 / 65536.0, dtype=np.float64)

    def _take(self, count: int) -> NDArray[np.uint32]:
        missing = count - len(self._spare)
        drawn = self._source.random_raw(max(0, -(-missing // 2))).astype("<u8", copy=False)
        numbers = np.concatenate((self._spare, drawn.view("<u4")))
        self._spare = numbers[count:].copy()
        return numbers[:count]
