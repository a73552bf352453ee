"""The nouns: frozen dataclasses that flow one way, Recording -> Measurements -> Plan -> Tracks -> Filed.

Times inside the program are whole frames of the audio *as treated* (after the treatments that run
before measuring). `Recording.time_scale` turns them into seconds of the recording's own time line.
Measurements hold arrays and live in `sidekeep.measurements`; nothing here imports numpy.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of frames, from `start` up to but not including `end`."""

    start: int
    end: int

    @property
    def frames(self) -> int:
        """The number of frames in the span."""
        return self.end - self.start


# --- recording ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Part:
    """One file of a recording; most recordings have just one.

    `sha256` is that of the file's bytes (64 hex digits), empty until known; `frames` its length.
    """

    name: str
    frames: int
    bytes: int
    sha256: str = ""


@dataclass(frozen=True, slots=True)
class Recording:
    """The audio that holds a side as it was captured; one or more files on one time line.

    `sample_type` is `int` or `float`, `bits` the word length in the file. `tags` are what the recorder
    wrote (INFO, bext), by our own field names.
    """

    parts: tuple[Part, ...]
    container: str
    sample_type: str
    bits: int
    rate_hz: int
    channels: int
    frames: int
    tags: Mapping[str, str] = field(default_factory=dict)
    time_scale: float = 1.0

    @property
    def sha256(self) -> str:
        """The hash of the first part; the recording's identity when it is one file."""
        return self.parts[0].sha256

    @property
    def duration_s(self) -> float:
        """Length in seconds of the recording's own time line."""
        return self.frames / self.rate_hz


# --- what a person wrote --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SheetTrack:
    """One track as the sheet names it; `length_s` in seconds when it is written there."""

    title: str
    artist: str | None = None
    length_s: float | None = None


@dataclass(frozen=True, slots=True)
class Sheet:
    """What is on the record. Every field may be missing; `sides` keeps the order of the sheet."""

    artist: str | None = None
    title: str | None = None
    label: str | None = None
    catalogue: str | None = None
    year: int | None = None
    genre: str | None = None
    rpm: float | None = None
    sides: Mapping[str, tuple[SheetTrack, ...]] = field(default_factory=dict)
    source: str = ""


# --- findings and verdict ---------------------------------------------------------------------------


class Severity(StrEnum):
    """How much a finding matters: counted, to be heard, or reason to play the side again."""

    NOTE = "note"
    LISTEN = "listen"
    AGAIN = "again"


class Judgement(StrEnum):
    """The verdict in one word."""

    GOOD = "good"
    LISTEN = "listen"
    AGAIN = "again"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing noticed about the transfer: what, how bad, where, and the numbers behind it.

    `span` is in treated frames; `detail` a sentence for a person; `numbers` keys carry units.
    """

    kind: str
    severity: Severity
    span: Span
    detail: str
    numbers: Mapping[str, float] = field(default_factory=dict)
    advice: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    """All findings together, with one sentence a person can act on."""

    judgement: Judgement
    sentence: str


# --- the plan ------------------------------------------------------------------------------------------


class Outcome(StrEnum):
    """What becomes of a planned job."""

    FILE = "file"
    HOLD = "hold"


@dataclass(frozen=True, slots=True)
class Decision:
    """One automatic decision with the numbers it rests on; becomes one line of `log.jsonl`."""

    step: str
    event: str
    numbers: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Balance:
    """Left/right level. Positive = left louder; `measured_db` is None without evidence.

    `evidence` (0 to 1) is how sure the measurement is; `applied_db` is what is taken off the left
    relative to the right.
    """

    measured_db: float | None
    applied_db: float
    evidence: float
    reason: str


@dataclass(frozen=True, slots=True)
class Level:
    """Loudness and peaks of the programme after balance and before gain; the gain applied.

    `ruled_by` says what set the gain: `peak`, `loudness`, `ceiling`, `limit` (the most gain that the rule
    set allows) or `none`. `ceiling_dbtp` is the true peak that the result must not exceed.
    """

    integrated_lufs: float | None
    range_lu: float | None
    true_peak_dbtp: float | None
    sample_peak_dbfs: float | None
    gain_db: float
    ruled_by: str
    ceiling_dbtp: float | None = None


@dataclass(frozen=True, slots=True)
class Copy:
    """One file to deliver for a track; `path` is relative to `archive/music/` and final.

    `bits` is None for lossy formats; `quality` (0 to 10, 10 is best) is the encoder's setting there;
    `ceiling_dbtp` is the true peak that a lossy or resampled copy must not exceed once decoded;
    `to_ceiling` says that the loudest of its kind shall come close to it. `gain_db` is added to the
    track's gain for this copy only, to bring that about.
    """

    path: str
    format: str
    rate_hz: int
    bits: int | None
    quality: float | None = None
    ceiling_dbtp: float | None = None
    gain_db: float = 0.0
    to_ceiling: bool = False


@dataclass(frozen=True, slots=True)
class Track:
    """One track of a side.

    `span` runs from cut to cut, `music` from first to last sound inside it. `gain_db` holds one total
    gain per channel (balance and level). Fades lie inside the span. `certainty` (0 to 1) and `why`
    speak of the cut at its start (of the programme's start for the first). `level` is the track's own
    loudness and peaks after balance, before gain. `tags` use our own field names (see `storage.tags`).
    """

    number: int
    title: str
    artist: str | None
    span: Span
    music: Span
    gain_db: tuple[float, ...]
    fade_in_frames: int = 0
    fade_out_frames: int = 0
    certainty: float = 1.0
    why: str = ""
    level: Level | None = None
    tags: Mapping[str, str] = field(default_factory=dict)
    copies: tuple[Copy, ...] = ()


@dataclass(frozen=True, slots=True)
class Side:
    """One side of a record inside the recording.

    `needle_down` is where the stylus was in the groove, `programme` from first to last sound,
    `trimmed` what is kept (programme plus padding). `groove` are the stretches of pure groove noise
    that the thresholds came from. The fades are those at the start and the end of `trimmed`.
    """

    label: str | None
    needle_down: Span
    programme: Span
    trimmed: Span
    groove: tuple[Span, ...] = ()
    fade_in_frames: int = 0
    fade_out_frames: int = 0
    balance: Balance | None = None
    level: Level | None = None
    tracks: tuple[Track, ...] = ()


@dataclass(frozen=True, slots=True)
class Plan:
    """Everything decided about a job before a sample is written."""

    job: str
    recording: Recording
    rule_set: str
    rule_reason: str
    sheet: Sheet
    sides: tuple[Side, ...] = ()
    treatments: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    verdict: Verdict | None = None
    outcome: Outcome = Outcome.FILE
    reasons: tuple[str, ...] = ()
    decisions: tuple[Decision, ...] = ()
    master_path: str = ""

    def with_sides(self, change: Callable[[Side], Side]) -> Plan:
        """Return the plan with `change` applied to every side."""
        return replace(self, sides=tuple(change(side) for side in self.sides))

    def noting(self, step: str, event: str, **numbers: object) -> Plan:
        """Return the plan with one more decision noted."""
        return replace(self, decisions=(*self.decisions, Decision(step, event, numbers)))

    def holding(self, *reasons: str) -> Plan:
        """Return the plan as one that waits for a person, for these reasons."""
        return replace(self, outcome=Outcome.HOLD, reasons=(*self.reasons, *reasons))

    def seconds(self, frame: int) -> float:
        """Turn a treated frame into seconds of the recording's own time line."""
        return frame / self.recording.rate_hz * self.recording.time_scale
