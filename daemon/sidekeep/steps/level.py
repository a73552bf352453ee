"""level: brings a side, or each track, to a peak or to a loudness by plain gain."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from sidekeep.dsp.levels import max_sample_peak
from sidekeep.dsp.loudness import integrated_lufs, loudness_range_lu
from sidekeep.dsp.stretch import Stretch
from sidekeep.dsp.truepeak import max_true_peak
from sidekeep.measurements import Measurements
from sidekeep.model import Level, Plan, Side, Span, Track
from sidekeep.settings import Measure, choice, measure, quantity
from sidekeep.steps.step import Step


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What to aim at, and for what."""

    peak: Measure = measure(  # noqa: RUF009 (it returns a dataclass field)
        "peak",
        units=("dBTP", "dBFS"),
        default=Measure(-0.3, "dBTP"),
        low=-30.0,
        high=0.0,
        doc="peak to reach: true peak (dBTP) or highest sample (dBFS); not used with `loudness`",
    )
    loudness_lufs: float | None = quantity(
        "loudness",
        unit="LUFS",
        default=None,
        low=-40.0,
        high=-8.0,
        doc="integrated loudness to reach; when given it rules in place of `peak`",
    )
    ceiling_dbtp: float = quantity(
        "ceiling",
        unit="dBTP",
        default=-1.0,
        low=-20.0,
        high=0.0,
        doc="true peak that `loudness` must not exceed; the gain is lowered, nothing is limited",
    )
    per: str = choice(
        "per",
        of=("side", "track"),
        default="side",
        doc="`side`: one gain, the tracks keep their relations; `track`: each its own",
    )
    most_gain_db: float = quantity(
        "most gain",
        unit="dB",
        default=24.0,
        low=0.0,
        high=60.0,
        doc="most that is ever added, so that near silence is not blown up",
    )


def decide(draft: Plan, seen: Measurements, settings: Settings) -> Plan:
    """Measure what will be delivered, after balance, and set its gain."""
    sides = []
    for side in draft.sides:
        balance_db = _balance_db(side, seen.channels)
        done = _per_track if settings.per == "track" else _per_side
        levelled = done(side, balance_db, seen, settings)
        sides.append(levelled)
        named = (levelled.level, *(track.level for track in levelled.tracks))
        for number, level in enumerate(named):
            if level is not None and (settings.per == "track") == bool(number):
                draft = draft.noting("level", "level_set", **_numbers(level, side.label, number))
    return replace(draft, sides=tuple(sides))


def _per_side(
    side: Side, balance_db: tuple[float, ...], seen: Measurements, settings: Settings
) -> Side:
    level = _with_gain(_measured(_heard(side), balance_db, seen), settings)

    def shared(track: Track) -> Track:
        own = _measured((track.span,), balance_db, seen)
        own = replace(own, gain_db=level.gain_db, ruled_by=level.ruled_by)
        return _levelled(track, balance_db, own)

    return replace(side, level=level, tracks=tuple(shared(track) for track in side.tracks))


def _per_track(
    side: Side, balance_db: tuple[float, ...], seen: Measurements, settings: Settings
) -> Side:
    """The side itself has no gain then: its level says how it stood."""
    tracks = (
        _levelled(
            track, balance_db, _with_gain(_measured((track.span,), balance_db, seen), settings)
        )
        for track in side.tracks
    )
    return replace(side, level=_measured(_heard(side), balance_db, seen), tracks=tuple(tracks))


def _levelled(track: Track, balance_db: tuple[float, ...], level: Level) -> Track:
    return replace(
        track, level=level, gain_db=tuple(own_db + level.gain_db for own_db in balance_db)
    )


def _balance_db(side: Side, channels: int) -> tuple[float, ...]:
    """Half of the correction on each channel, so that the balance itself adds no level."""
    if channels == 2 and side.balance is not None:
        return (-side.balance.applied_db / 2, side.balance.applied_db / 2)
    return (0.0,) * channels


def _heard(side: Side) -> tuple[Span, ...]:
    """What is delivered of a side, tracks that follow each other without a break taken as one."""
    joined: list[Span] = []
    for span in (track.span for track in side.tracks):
        if joined and joined[-1].end == span.start:
            joined[-1] = Span(joined[-1].start, span.end)
        else:
            joined.append(span)
    return tuple(joined) or (side.trimmed,)


def _measured(spans: tuple[Span, ...], balance_db: tuple[float, ...], seen: Measurements) -> Level:
    gains = tuple(10 ** (gain_db / 20) for gain_db in balance_db)
    stretches = [Stretch(span.start, span.end, gains) for span in spans]
    return Level(
        integrated_lufs=integrated_lufs(seen.loudness, *stretches),
        range_lu=loudness_range_lu(seen.loudness, *stretches),
        true_peak_dbtp=_db(max_true_peak(seen.peaks, *stretches)),
        sample_peak_dbfs=_db(max_sample_peak(seen.levels, *stretches)),
        gain_db=0.0,
        ruled_by="none",
    )


def _with_gain(level: Level, settings: Settings) -> Level:
    """Give the level the gain that the settings ask for; none where there is nothing to go by."""
    gain_db, ruled_by = _wanted(level, settings)
    if gain_db > settings.most_gain_db:
        gain_db, ruled_by = settings.most_gain_db, "limit"
    ceiling_dbtp = _ceiling_dbtp(level, gain_db, settings)
    return replace(level, gain_db=gain_db, ruled_by=ruled_by, ceiling_dbtp=ceiling_dbtp)


def _ceiling_dbtp(level: Level, gain_db: float, settings: Settings) -> float | None:
    """The true peak that nothing delivered may exceed; with a sample peak to reach, the result's."""
    if level.true_peak_dbtp is None:
        return None
    if settings.loudness_lufs is not None:
        return settings.ceiling_dbtp
    return settings.peak.value if settings.peak.unit == "dBTP" else level.true_peak_dbtp + gain_db


def _wanted(level: Level, settings: Settings) -> tuple[float, str]:
    if level.true_peak_dbtp is None or level.sample_peak_dbfs is None:
        return 0.0, "none"
    if settings.loudness_lufs is None:
        true = settings.peak.unit == "dBTP"
        peak_db = level.true_peak_dbtp if true else level.sample_peak_dbfs
        return settings.peak.value - peak_db, "peak"
    if level.integrated_lufs is None:
        return 0.0, "none"
    to_ceiling_db = settings.ceiling_dbtp - level.true_peak_dbtp
    to_loudness_db = settings.loudness_lufs - level.integrated_lufs
    if to_ceiling_db < to_loudness_db:
        return to_ceiling_db, "ceiling"
    return to_loudness_db, "loudness"


def _db(peak: float) -> float | None:
    return 20 * math.log10(peak) if peak > 0 else None


def _numbers(level: Level, side: str | None, track: int) -> dict[str, object]:
    return {
        "side": side,
        "track": track or None,
        "integrated_lufs": level.integrated_lufs,
        "range_lu": level.range_lu,
        "true_peak_dbtp": level.true_peak_dbtp,
        "sample_peak_dbfs": level.sample_peak_dbfs,
        "gain_db": level.gain_db,
        "ruled_by": level.ruled_by,
    }


STEP = Step("level", Settings, decide)
