"""Another sample rate, or another speed, through soxr, block by block."""

from __future__ import annotations

import numpy as np
import soxr

from sidekeep.dsp.treatment import Samples


class Resampler:
    """Resamples at soxr's very high quality; blocks of any length give the same result.

    The delay of the filter is taken out: what was at t seconds is at t seconds. The output has exactly
    round(frames * rate_out / rate_in) frames.

    Args:
        rate_in_hz: rate of what comes in; need not be whole.
        rate_out_hz: rate of what goes out; need not be whole.
        channels: number of channels.
    """

    def __init__(self, rate_in_hz: float, rate_out_hz: float, channels: int) -> None:
        self._ratio = rate_out_hz / rate_in_hz
        self._stream = soxr.ResampleStream(
            rate_in_hz, rate_out_hz, channels, dtype="float64", quality="VHQ"
        )
        self._channels = channels
        self._seen = 0
        self._given = 0

    def process(self, block: Samples) -> Samples:
        """Take the next block (channels, frames); give the frames that are ready."""
        self._seen += block.shape[1]
        return self._give(self._stream.resample_chunk(np.ascontiguousarray(block.T)))

    def flush(self) -> Samples:
        """Return the frames still inside, shape (channels, frames)."""
        last = self._stream.resample_chunk(np.zeros((0, self._channels)), last=True)
        wanted = round(self._seen * self._ratio) - self._given
        return self._give(np.pad(last, ((0, max(0, wanted - len(last))), (0, 0)))[: max(0, wanted)])

    def _give(self, frames: Samples) -> Samples:
        self._given += len(frames)
        return np.ascontiguousarray(frames.T)


class SpeedTreatment:
    """Plays the recording faster (factor above 1) or slower, pitch and tempo together.

    Args:
        factor: how much faster the music runs than in the recording.
        rate_hz: sample rate of the recording, kept.
        channels: number of channels in and out.
        note: what is done, in a few words.
    """

    def __init__(self, factor: float, rate_hz: int, channels: int, note: str) -> None:
        self.note = note
        self.time_scale = factor
        self.channels_out = channels
        self._resampler = Resampler(rate_hz * factor, rate_hz, channels)
        self.process = self._resampler.process
        self.flush = self._resampler.flush
