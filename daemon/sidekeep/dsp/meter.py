"""What a meter is: something that sees the audio once, in blocks, and leaves a table behind."""

from __future__ import annotations

from typing import Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

Table_co = TypeVar("Table_co", covariant=True)
Block = NDArray[np.float32]


class Meter(Protocol[Table_co]):
    """A streaming measurement in the time domain; any block lengths give the same table."""

    def update(self, block: Block) -> None:
        """Take the next block, shape (channels, frames), full scale = 1.0."""
        ...

    def finish(self) -> Table_co:
        """Return the table for everything seen."""
        ...


class SpectralMeter(Protocol[Table_co]):
    """A streaming measurement on the shared spectra (see `dsp.spectra`)."""

    def update(self, spectra: NDArray[np.complex64]) -> None:
        """Take the next cells, shape (channels, cells, bins)."""
        ...

    def finish(self) -> Table_co:
        """Return the table for everything seen."""
        ...
