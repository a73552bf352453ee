"""What is exactly known about a composed side: where everything is, in seconds of the recording."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from typing import Any


@dataclass(frozen=True, slots=True)
class TrackTruth:
    """One track: its nominal bounds (fades inside), and where it rises above the groove noise."""

    title: str
    start_s: float
    end_s: float
    audible_start_s: float
    audible_end_s: float
    interlude: bool = False


@dataclass(frozen=True, slots=True)
class FaultTruth:
    """One fault; `strength` is 1 where a careful listener notices it, 2 at twice that."""

    kind: str
    start_s: float
    end_s: float
    strength: float


@dataclass(frozen=True, slots=True)
class Truth:
    """A composed side's ground truth.

    `balance_db` is the transfer's imbalance, positive = left louder. `has_centre` says whether the
    programme holds anything panned to the centre that could tell it. `locked_s` is where the locked
    groove begins, None when the needle never got there. `groove_dbfs` is the broadband level of the
    groove noise.
    """

    rate_hz: int
    duration_s: float
    rpm: float
    needle_down_s: float
    needle_up_s: float
    locked_s: float | None
    tracks: tuple[TrackTruth, ...]
    balance_db: float
    has_centre: bool
    groove_dbfs: float
    faults: tuple[FaultTruth, ...] = ()

    @property
    def programme_start_s(self) -> float:
        """Where something is first heard above the groove noise."""
        return min(track.audible_start_s for track in self.tracks)

    @property
    def programme_end_s(self) -> float:
        """Where something is last heard above the groove noise."""
        return max(track.audible_end_s for track in self.tracks)

    @property
    def named(self) -> tuple[TrackTruth, ...]:
        """The tracks that a sheet would name: all but the interludes."""
        return tuple(track for track in self.tracks if not track.interlude)

    @property
    def gaps(self) -> tuple[tuple[float, float], ...]:
        """Where a cut may fall between each two neighbours: from last to next sound, sorted.

        At a segue the two are the same moment; where tracks overlap, the span of the overlap.
        """
        pairs = zip(self.named, self.named[1:], strict=False)
        spans = ((before.audible_end_s, after.audible_start_s) for before, after in pairs)
        return tuple((min(span), max(span)) for span in spans)

    def with_fault(self, kind: str, start_s: float, end_s: float, strength: float) -> Truth:
        """Add a fault."""
        return replace(self, faults=(*self.faults, FaultTruth(kind, start_s, end_s, strength)))

    def moved(self, new_time: Callable[[float], float]) -> Truth:
        """Carry every time through a change of the time line (repeats, skips, cuts)."""

        def within(time_s: float) -> float:
            return min(max(new_time(time_s), 0.0), duration_s)

        duration_s = new_time(self.duration_s)
        return replace(
            self,
            duration_s=duration_s,
            needle_down_s=within(self.needle_down_s),
            needle_up_s=within(self.needle_up_s),
            locked_s=None if self.locked_s is None else within(self.locked_s),
            tracks=tuple(
                replace(
                    track,
                    start_s=within(track.start_s),
                    end_s=within(track.end_s),
                    audible_start_s=within(track.audible_start_s),
                    audible_end_s=within(track.audible_end_s),
                )
                for track in self.tracks
            ),
            faults=tuple(
                replace(fault, start_s=within(fault.start_s), end_s=within(fault.end_s))
                for fault in self.faults
            ),
        )

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain values, for JSON."""
        return asdict(self)

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> Truth:
        """Build a truth from what `to_dict` gave."""
        tracks = tuple(TrackTruth(**track) for track in values["tracks"])
        faults = tuple(FaultTruth(**fault) for fault in values["faults"])
        return cls(**{**values, "tracks": tracks, "faults": faults})
