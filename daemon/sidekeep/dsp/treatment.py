"""Treatments: changes of spectrum or time line that run before measuring, block by block."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64]


class Treatment(Protocol):
    """A streaming change of samples; blocks of any length give the same result as one piece.

    `note` says in a few words what is done, with numbers, for the tag note and the report.
    `time_scale` is seconds of recording per second of treated audio. `channels_out` is the number of
    channels that come out.
    """

    note: str
    time_scale: float
    channels_out: int

    def process(self, block: Samples) -> Samples:
        """Treat a block of shape (channels, frames); may return more or fewer frames."""
        ...

    def flush(self) -> Samples:
        """Return the frames still inside, shape (channels, frames), at the end of the recording."""
        ...
