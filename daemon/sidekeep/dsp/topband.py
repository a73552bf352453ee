"""The top of the band, where a record gives next to nothing and samples that are missing give much.

A cutting head stops near 20 kHz, a cartridge falls off before, a converter lets nothing through at half
its rate. A step from one sample to the next is made behind all three, and has as much there as below,
where the music is.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.meter import Block

_OF_RATE, _MOST_HZ = 0.476, 30_000.0  # 21 kHz of 44.1
# Of higher rates every second sample is taken; nothing lies where that folds to 30 kHz.
_ENOUGH_HZ = 88_200
HOPS = 4  # in a tick
_WINDOW_HOPS = 3
# Runs of ticks that are one product: what a product rounds to may depend on its shape.
_RUN_TICKS = 32


class TopMeter:
    """The power at the top of the band, both channels together, four times in every tick."""

    def __init__(self, tick: int, rate_hz: float, channels: int) -> None:
        hop = tick // HOPS
        steps = range(max(1, int(rate_hz // _ENOUGH_HZ)), 0, -1)
        self._step = next(step for step in steps if hop % step == 0)
        self._hop = hop // self._step
        rate_hz /= self._step
        self._filters = _filters(min(_MOST_HZ, _OF_RATE * rate_hz) / rate_hz, self._hop)
        self._taken = 0  # frames so far
        # A window's centre lies one and a half hops after its first frame.
        self._rest = np.zeros((channels, self._hop), np.float32)
        self._parts = np.zeros((channels, 0, 2 * _WINDOW_HOPS), np.float32)

    def update(self, block: Block) -> NDArray[np.float32]:
        """Take the next frames (channels, frames); give the power in finished ticks, shape (ticks, 4)."""
        first = -self._taken % self._step
        self._taken += block.shape[1]
        sound = np.concatenate((self._rest, block[:, first :: self._step]), axis=1)
        run = _RUN_TICKS * HOPS
        runs = sound.shape[1] // (run * self._hop)
        whole = runs * run * self._hop
        self._rest = sound[:, whole:].copy()
        hops = sound[:, :whole].reshape(len(sound), runs, run, self._hop) @ self._filters
        hops = hops.reshape(len(sound), -1, 2 * _WINDOW_HOPS)
        parts = np.concatenate((self._parts, hops), axis=1)
        ticks = max(0, parts.shape[1] - _WINDOW_HOPS + 1) // HOPS
        self._parts = parts[:, ticks * HOPS :].copy()
        seen = parts[:, : ticks * HOPS, :2].copy()
        for hop in range(1, _WINDOW_HOPS):
            seen += parts[:, hop : hop + ticks * HOPS, 2 * hop : 2 * hop + 2]
        power: NDArray[np.float32] = np.einsum("chq,chq->h", seen, seen).reshape(ticks, HOPS)
        return power


def _filters(cycles: float, hop: int) -> NDArray[np.float32]:
    """A Hann-windowed pair in quadrature over three hops, as columns for the frames of each hop."""
    frames = np.arange(_WINDOW_HOPS * hop)
    window = np.hanning(frames.size + 2)[1:-1]
    turning = window / window.sum() * np.exp(2j * np.pi * cycles * frames)
    pair = np.stack((turning.real, turning.imag), axis=1).reshape(_WINDOW_HOPS, hop, 2)
    return np.ascontiguousarray(pair.transpose(1, 0, 2).reshape(hop, -1), np.float32)
