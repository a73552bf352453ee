"""Raised-cosine fades at both ends of a track, block by block."""

from __future__ import annotations

import numpy as np

from sidekeep.dsp.treatment import Samples


class Fades:
    """Fades a track in and out; blocks of any length give the same result.

    Args:
        frames: length of the track.
        fade_in_frames: length of the fade at the start, 0 for none.
        fade_out_frames: length of the fade at the end, 0 for none.
    """

    def __init__(self, frames: int, fade_in_frames: int, fade_out_frames: int) -> None:
        if (
            min(fade_in_frames, fade_out_frames) < 0
            or max(fade_in_frames, fade_out_frames) > frames
        ):
            message = f"fades of {fade_in_frames} and {fade_out_frames} frames in {frames}"
            raise ValueError(message)
        self._in = raised_cosine(fade_in_frames)
        self._out = raised_cosine(fade_out_frames)[::-1]
        self._out_start = frames - fade_out_frames
        self._at = 0

    def process(self, block: Samples) -> Samples:
        """Return the next block of the track, shape (channels, frames), faded where it must be."""
        start, end = self._at, self._at + block.shape[1]
        self._at = end
        if start >= len(self._in) and end <= self._out_start:
            return block
        faded = block.copy()
        rising = self._in[start:end]
        faded[:, : len(rising)] *= rising
        skipped = max(0, self._out_start - start)
        falling = self._out[max(0, start - self._out_start) : max(0, end - self._out_start)]
        faded[:, skipped : skipped + len(falling)] *= falling
        return faded


def raised_cosine(frames: int) -> Samples:
    """Gains that rise from near 0 to near 1, taken at the middle of each frame, shape (frames,).

    Its reverse adds up with it to 1 in every frame.
    """
    return 0.5 - 0.5 * np.cos(np.pi * (np.arange(frames) + 0.5) / max(1, frames))
