"""Cuts a stream of blocks of any lengths into blocks of equal length."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

Real = TypeVar("Real", bound=np.floating[Any])


class EqualBlocks(Generic[Real]):
    """Gathers blocks (channels, any frames) and gives blocks (channels, `frames`)."""

    def __init__(self, channels: int, frames: int, dtype: type[Real]) -> None:
        self._waiting: NDArray[Real] = np.zeros((channels, frames), dtype)
        self._filled = 0

    def cut(self, block: NDArray[Real]) -> Iterator[NDArray[Real]]:
        """Give every equal block that this one completes; each is valid until the next is asked for."""
        channels, frames = self._waiting.shape
        if len(block) != channels:
            message = f"a block of {len(block)} channels where {channels} are expected"
            raise ValueError(message)
        taken = 0
        while block.shape[1] - taken >= frames - self._filled:
            upto = taken + frames - self._filled
            if self._filled:
                self._waiting[:, self._filled :] = block[:, taken:upto]
                yield self._waiting
            else:
                yield block[:, taken:upto]
            taken, self._filled = upto, 0
        left = block.shape[1] - taken
        self._waiting[:, self._filled : self._filled + left] = block[:, taken:]
        self._filled += left

    def last(self) -> tuple[NDArray[Real], int]:
        """Return the last block, filled up with zeros, and how many of its frames are real."""
        filled, self._filled = self._filled, 0
        self._waiting[:, filled:] = 0.0
        return self._waiting, filled
