"""A stretch: frames of a recording as they will be heard."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Stretch:
    """Frames `start` to `end` (not included), heard with one linear gain per channel."""

    start: int
    end: int
    gains: tuple[float, ...]

    def check(self, channels: int) -> None:
        """Raise ValueError unless there is a gain for each of the recording's channels."""
        if len(self.gains) != channels:
            message = f"{len(self.gains)} gains for {channels} channels"
            raise ValueError(message)
