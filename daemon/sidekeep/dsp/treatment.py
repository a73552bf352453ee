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


class Chain:
    """Several treatments, one after the other, as one."""

    def __init__(self, treatments: tuple[Treatment, ...], channels: int) -> None:
        self._treatments = treatments
        self.channels_out = treatments[-1].channels_out if treatments else channels

    def __bool__(self) -> bool:
        return bool(self._treatments)

    def process(self, block: Samples) -> Samples:
        """Treat a block of shape (channels, frames)."""
        return _through(block, self._treatments)

    def flush(self) -> Samples:
        """Return what is still inside all treatments, shape (channels, frames)."""
        rests = [np.zeros((self.channels_out, 0))]
        for index, treatment in enumerate(self._treatments):
            rests.append(_through(treatment.flush(), self._treatments[index + 1 :]))
        return np.concatenate(rests, axis=1)


def _through(block: Samples, treatments: tuple[Treatment, ...]) -> Samples:
    for treatment in treatments:
        block = treatment.process(block)
    return block
