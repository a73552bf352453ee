"""Both halves of the event table filled in one place, for tests."""

from __future__ import annotations

from sidekeep.dsp.events import EventTable, SampleEvents, SpectralEvents
from sidekeep.dsp.meter import Block
from sidekeep.dsp.spectra import Spectra


class EventMeter:
    """Fills an `EventTable`."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._samples = SampleEvents(rate_hz, channels)
        self._spectra = SpectralEvents(rate_hz, channels)

    def update(self, block: Block) -> None:
        """Take the next block, shape (channels, frames)."""
        self._samples.update(block)

    def update_spectra(self, spectra: Spectra) -> None:
        """Take the next cells of the shared spectra, shape (channels, cells, bins)."""
        self._spectra.update(spectra)

    def finish(self) -> EventTable:
        """Return the table for everything seen."""
        return EventTable(**self._samples.finish(), **self._spectra.finish())
