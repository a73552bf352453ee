"""Places of a side where the music may break, and what is known of each."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


class Places:
    """Places in any order; all arrays are of shape (n, ...).

    `ticks` are those of the event table, `seen` rows of its `breaks` (zeros where no edge was examined),
    `scores` logarithms of the odds that the music breaks there, `swung` what a swing of the arm says.
    """

    def __init__(
        self, ticks: NDArray[np.int64], seen: NDArray[np.float32], scores: NDArray[np.float64]
    ) -> None:
        self.ticks, self.seen, self.scores = ticks, seen, scores
        self.swung = np.zeros(ticks.size)

    def add(self, tick: int, score: float) -> int:
        """Add a place where no edge was examined; return its index."""
        self.ticks = np.append(self.ticks, tick)
        self.seen = np.pad(self.seen, ((0, 1), (0, 0)))
        self.scores = np.append(self.scores, score)
        self.swung = np.append(self.swung, 0.0)
        return self.ticks.size - 1
