"""deliver: which copies of every track are written."""

from __future__ import annotations

from dataclasses import dataclass, replace

from sidekeep.measurements import Measurements
from sidekeep.model import Copy, Level, Plan, Side, Track
from sidekeep.settings import choice, listing, number, quantity
from sidekeep.steps.step import Step

LOSSLESS = ("flac", "aiff", "wav")
LOSSY = ("mp3", "ogg", "opus")

_CEILING_DBTP = -0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class CopySettings:
    """One copy of every track."""

    format: str = choice("format", of=LOSSLESS + LOSSY, default="flac", doc="file format")
    bits: int | None = number(
        "bits",
        default=None,
        low=16,
        high=24,
        doc="word length, 16 or 24; 24 when not given; not for mp3, ogg, opus",
    )
    rate_hz: float | None = quantity(
        "rate",
        unit="Hz",
        default=None,
        low=8000,
        high=192_000,
        doc="sample rate; the recording's when not given (mp3, ogg: 44.1 or 48 kHz; opus: 48 kHz)",
    )
    quality: float | None = number(
        "quality",
        default=None,
        low=0,
        high=10,
        doc="0 to 10, 10 is best; for mp3, ogg, opus; 9 when not given",
    )

    def __post_init__(self) -> None:
        if self.format in LOSSY and self.bits is not None:
            raise ValueError(f"{self.format} has no word length; leave bits out")
        if self.format in LOSSLESS and self.quality is not None:
            raise ValueError(f"{self.format} is lossless; leave quality out")
        if self.bits not in {None, 16, 24}:
            raise ValueError("bits is 16 or 24")
        if self.format == "opus" and self.rate_hz not in {None, 48_000}:
            raise ValueError("opus is always 48 kHz; leave rate out")
        if self.format == "mp3" and self.rate_hz not in {None, 32_000, 44_100, 48_000}:
            raise ValueError("mp3 is 32, 44.1 or 48 kHz")


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """The copies of every track; the section is this list itself."""

    copies: tuple[CopySettings, ...] = listing(
        "",
        of=CopySettings,
        default=(CopySettings(),),
        doc="copies of every track, each with format, bits, rate, quality",
    )


def decide(draft: Plan, seen: Measurements, settings: Settings) -> Plan:
    """Give every track its copies; paths are set later.

    Lossy copies, and those at another rate, carry the true peak they must stay below once decoded:
    the one that `level` set, or -0.3 dBTP where it set none. A lower rate takes a part of some peaks
    away; where the peak rules, such a copy is brought back to it.
    """
    del seen
    rate_hz = draft.recording.rate_hz

    def with_copies(side: Side) -> Side:
        def copies(track: Track) -> tuple[Copy, ...]:
            level = _level(side, track)
            return tuple(_copy(wanted, rate_hz, level) for wanted in settings.copies)

        tracks = (replace(track, copies=copies(track)) for track in side.tracks)
        return replace(side, tracks=tuple(tracks))

    draft = draft.with_sides(with_copies)
    words = [_describe(_copy(wanted, rate_hz, None)) for wanted in settings.copies]
    return draft.noting("deliver", "copies_chosen", copies=words)


def _copy(wanted: CopySettings, own_rate_hz: int, level: Level | None) -> Copy:
    lossy = wanted.format in LOSSY
    usual_hz = _usual_rate_hz(wanted.format, own_rate_hz) if lossy else own_rate_hz
    rate_hz = int(wanted.rate_hz or usual_hz)
    changed = lossy or rate_hz != own_rate_hz
    known = level is not None and level.ceiling_dbtp is not None
    return Copy(
        path="",
        format=wanted.format,
        rate_hz=rate_hz,
        bits=None if lossy else wanted.bits or 24,
        quality=(9.0 if wanted.quality is None else wanted.quality) if lossy else None,
        ceiling_dbtp=(level.ceiling_dbtp if level and known else _CEILING_DBTP)
        if changed
        else None,
        to_ceiling=changed and not lossy and level is not None and level.ruled_by == "peak",
    )


def _usual_rate_hz(name: str, rate_hz: int) -> int:
    """Give the rate that players of lossy formats expect, of the recording's own family."""
    return 44_100 if rate_hz % 44_100 == 0 and name != "opus" else 48_000


def _level(side: Side, track: Track) -> Level | None:
    """Give the level that says what is allowed: the side's, or the track's own."""
    for level in (side.level, track.level):
        if level is not None and level.ceiling_dbtp is not None:
            return level
    return None


def _describe(copy: Copy) -> str:
    """Say in a few words what a copy is, such as `flac 24 bit 96 kHz`."""
    depth = f"quality {copy.quality:g}" if copy.bits is None else f"{copy.bits} bit"
    return f"{copy.format} {depth} {copy.rate_hz / 1000:g} kHz"


STEP = Step("deliver", Settings, decide)
