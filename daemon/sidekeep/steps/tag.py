"""tag: what every track says about itself, and how loud the result is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from sidekeep.dsp.levels import max_sample_peak
from sidekeep.dsp.loudness import integrated_lufs
from sidekeep.dsp.stretch import Stretch
from sidekeep.measurements import Measurements
from sidekeep.model import Level, Plan, Side, Track
from sidekeep.settings import choice, flag
from sidekeep.steps.step import Step

REPLAYGAIN_LUFS = -18.0
"""Reference of ReplayGain 2.0, section "Reference level"."""

R128_LUFS = -23.0
"""Reference of the Opus gain tags (RFC 7845, 5.2.1: EBU R 128)."""

_SPEEDS = {33: "TT/33", 45: "TT/45", 71: "TT/71", 77: "TT/76", 78: "TT/78", 80: "TT/80"}
"""Turntable codes of the ID3v2.4 TMED frame, by rounded rpm (76.59 rounds to 77)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What is written into every track."""

    numbering: str = choice(
        "numbering",
        of=("record", "side"),
        default="record",
        doc="count tracks through all sides of the sheet, or on each side from 1; without a sheet "
        "that lists the sides before this one each side begins at 1",
    )
    replay_gain: bool = flag(
        "replay gain", default=True, doc="ReplayGain 2.0 (Opus: R128) of track and side"
    )
    note: bool = flag("note", default=True, doc="a note of the treatment in the comment")


@dataclass(frozen=True, slots=True)
class Loudness:
    """Loudness and sample peak of a result; None where nothing is loud enough to be measured."""

    integrated_lufs: float | None
    sample_peak: float


def decide(draft: Plan, seen: Measurements, settings: Settings) -> Plan:
    """Fill every track's tags from the sheet, the plan and, where both are silent, the recorder."""
    tracks = [track for side in draft.sides for track in side.tracks]
    album = _loudness(seen, tracks) if settings.replay_gain else None

    def with_tags(side: Side, track: Track) -> Track:
        tags = _record_tags(draft) | _track_tags(draft, side, track, settings)
        if album is not None:
            tags |= gain_tags(_loudness(seen, [track]), album)
        return replace(track, tags={name: text for name, text in tags.items() if text})

    draft = draft.with_sides(
        lambda side: replace(side, tracks=tuple(with_tags(side, track) for track in side.tracks))
    )
    if album is None:
        return draft.noting("tag", "tags_filled", tracks=len(tracks))
    return draft.noting(
        "tag",
        "tags_filled",
        tracks=len(tracks),
        result_integrated_lufs=album.integrated_lufs,
        result_sample_peak=album.sample_peak,
    )


def gain_tags(track: Loudness, album: Loudness) -> dict[str, str]:
    """Give the gain tags of ReplayGain 2.0 and of Opus (RFC 7845, 5.2.1).

    Args:
        track: the track's result.
        album: the result of all tracks together.
    """
    tags = {}
    for name, result in (("track", track), ("album", album)):
        if result.integrated_lufs is None:
            continue
        gain_db = REPLAYGAIN_LUFS - result.integrated_lufs
        tags[f"replaygain_{name}_gain"] = f"{gain_db:.2f} dB"
        tags[f"replaygain_{name}_peak"] = f"{result.sample_peak:.6f}"
        tags[f"r128_{name}_gain"] = _q7_8(R128_LUFS - result.integrated_lufs)
    return tags


def shifted(tags: Mapping[str, str], gain_db: float) -> dict[str, str]:
    """Give the tags of a copy that was written with another gain than its track.

    Args:
        tags: the track's tags.
        gain_db: what the copy got on top, in dB.
    """
    moved = dict(tags)
    for name in ("track", "album"):
        if gain := tags.get(f"replaygain_{name}_gain"):
            moved[f"replaygain_{name}_gain"] = f"{float(gain.split()[0]) - gain_db:.2f} dB"
        if peak := tags.get(f"replaygain_{name}_peak"):
            moved[f"replaygain_{name}_peak"] = f"{float(peak) * 10 ** (gain_db / 20):.6f}"
        if fixed := tags.get(f"r128_{name}_gain"):
            moved[f"r128_{name}_gain"] = _q7_8(int(fixed) / 256 - gain_db)
    return moved


def _q7_8(gain_db: float) -> str:
    return str(max(-32768, min(32767, round(256 * gain_db))))


def _loudness(seen: Measurements, tracks: list[Track]) -> Loudness:
    stretches = []
    for track in tracks:
        gains = tuple(10 ** (gain_db / 20) for gain_db in track.gain_db)
        stretches.append(Stretch(track.span.start, track.span.end, gains))
    peak = max_sample_peak(seen.levels, *stretches)
    return Loudness(integrated_lufs(seen.loudness, *stretches), peak)


def _record_tags(draft: Plan) -> dict[str, str]:
    sheet, written = draft.sheet, draft.recording.tags
    artist = sheet.artist or written.get("artist", "")
    return {
        "artist": artist,
        "album": sheet.title or written.get("album", ""),
        "album_artist": artist,
        "label": sheet.label or written.get("label", ""),
        "catalogue": sheet.catalogue or written.get("catalogue", ""),
        "date": "" if sheet.year is None else str(sheet.year),
        "genre": sheet.genre or written.get("genre", ""),
        "medium": "TT" if sheet.rpm is None else _SPEEDS.get(round(sheet.rpm), "TT"),
    }


def _track_tags(draft: Plan, side: Side, track: Track, settings: Settings) -> dict[str, str]:
    number, total = _numbers(draft, side, track, settings.numbering)
    tags = {
        "title": track.title,
        "track_number": str(number),
        "track_total": str(total),
        "side": side.label or "",
        "comment": _note(draft, side, track) if settings.note else "",
    }
    if track.artist:
        tags["artist"] = track.artist
    return tags


def _numbers(draft: Plan, side: Side, track: Track, numbering: str) -> tuple[int, int]:
    """Give the track's number and how many there are, on the side or through the record.

    Sides found in this recording count as they were found, the others as the sheet lists them.
    """
    counts = {label: len(tracks) for label, tracks in draft.sheet.sides.items()}
    counts |= {other.label: len(other.tracks) for other in draft.sides if other.label in counts}
    if numbering == "side" or side.label not in counts or 0 in counts.values():
        return track.number, len(side.tracks)
    before = 0
    for label, count in counts.items():
        if label == side.label:
            break
        before += count
    return before + track.number, sum(counts.values())


def _note(draft: Plan, side: Side, track: Track) -> str:
    """Say in plain words where the track comes from and what was done to the sound."""
    recording = draft.recording
    word = "floating point" if recording.sample_type == "float" else f"{recording.bits} bit"
    source = f"Transfer from a record{f', side {side.label}' if side.label else ''}"
    done = [*draft.treatments]
    if side.trimmed != side.needle_down:
        done.append("trimmed to the programme")
    if side.balance is not None and side.balance.applied_db:
        applied_db = side.balance.applied_db
        quieter, other = ("left", "right") if applied_db > 0 else ("right", "left")
        done.append(f"balance: {quieter} {abs(applied_db):.2f} dB down against {other}")
    gain_db = sum(track.gain_db) / len(track.gain_db)
    if gain_db:
        done.append(f"gain {gain_db:+.2f} dB{_rule(_ruling(side, track), gain_db)}")
    treatment = "; ".join(done) if done else "none"
    return (
        f"{source}, recorded at {recording.rate_hz / 1000:g} kHz, {word}. Treatment: {treatment}."
    )


def _ruling(side: Side, track: Track) -> Level | None:
    """The level that set the gain: the side's, or the track's own where the side has none."""
    ruled = side.level is not None and side.level.ruled_by != "none"
    return side.level if ruled else track.level


def _rule(level: Level | None, gain_db: float) -> str:
    """Say what the gain aimed at."""
    if level is None or level.ruled_by not in {"peak", "loudness", "ceiling"}:
        return ""
    if level.ruled_by == "loudness" and level.integrated_lufs is not None:
        return f" (to {level.integrated_lufs + gain_db:.1f} LUFS)"
    if level.true_peak_dbtp is None:
        return ""
    return f" (to a true peak of {level.true_peak_dbtp + gain_db:.2f} dBTP)"


STEP = Step("tag", Settings, decide)
