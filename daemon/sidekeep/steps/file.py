"""file: where tracks and master go in the archive."""

from __future__ import annotations

from dataclasses import dataclass, replace

from sidekeep.measurements import Measurements
from sidekeep.model import Copy, Plan, Side, Track
from sidekeep.naming import distinct, path, split_extension
from sidekeep.pathpattern import PathPattern
from sidekeep.settings import text
from sidekeep.steps.step import Step

RECORD_FIELDS = frozenset(
    ("artist", "title", "label", "catalogue", "year", "genre", "rpm", "side", "job", "original")
)
TRACK_FIELDS = RECORD_FIELDS | {"number", "count", "track", "performer", "format"}

_EXTENSIONS = {
    "flac": ".flac",
    "aiff": ".aiff",
    "wav": ".wav",
    "mp3": ".mp3",
    "ogg": ".ogg",
    "opus": ".opus",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Name patterns; see `sidekeep.pathpattern` for how missing fields fall away."""

    tracks: str = text(
        "tracks",
        default="{artist}/{title|job} [{catalogue}]/{side}{number} {track}",
        doc="path of a track below archive/music, without extension; fields: artist, title, "
        "label, catalogue, year, genre, rpm, side, number (on the side), count (through the "
        "record), track, performer (of the track), format, job, original (the recording's name)",
    )
    masters: str = text(
        "masters",
        default="{artist}/{title|job} [{catalogue}]/{side|original}",
        doc="path of the master below archive/masters, without extension; fields as for tracks "
        "without number, count, track, performer, format",
    )

    def __post_init__(self) -> None:
        PathPattern(self.tracks, TRACK_FIELDS)
        PathPattern(self.masters, RECORD_FIELDS)


def decide(draft: Plan, seen: Measurements, settings: Settings) -> Plan:
    """Give every copy its path, all of them distinct on any file system, and the master its own."""
    del seen
    pattern = PathPattern(settings.tracks, TRACK_FIELDS)
    wanted = [
        _copy_path(pattern, draft, side, track, index)
        for side in draft.sides
        for track in side.tracks
        for index in range(len(track.copies))
    ]
    given = iter(distinct(wanted))

    def with_paths(track: Track) -> Track:
        copies: tuple[Copy, ...] = tuple(replace(copy, path=next(given)) for copy in track.copies)
        return replace(track, copies=copies)

    draft = draft.with_sides(
        lambda side: replace(side, tracks=tuple(with_paths(track) for track in side.tracks))
    )
    draft = replace(draft, master_path=_master_path(settings.masters, draft))
    return draft.noting("file", "paths_chosen", master=draft.master_path, copies=len(wanted))


def _copy_path(pattern: PathPattern, draft: Plan, side: Side, track: Track, index: int) -> str:
    copy = track.copies[index]
    components = pattern.fill(_track_fields(draft, side, track) | {"format": copy.format})
    components = components or (f"{track.number} {track.title}",)
    earlier = [other for other in track.copies[:index] if other.format == copy.format]
    if earlier and "format" not in pattern.fields:
        place = max(0, len(components) - 2)
        components = (
            *components[:place],
            f"{components[place]} [{_kind(copy)}]",
            *components[place + 1 :],
        )
    return path(components, tail=_EXTENSIONS[copy.format])


def _kind(copy: Copy) -> str:
    """Tell copies of one format apart, as in `16-44.1`."""
    first = (
        f"q{copy.quality:g}" if copy.bits is None and copy.quality is not None else f"{copy.bits}"
    )
    return f"{first}-{copy.rate_hz / 1000:g}"


def _master_path(written: str, draft: Plan) -> str:
    stem, extension = split_extension(draft.recording.parts[0].name)
    components = PathPattern(written, RECORD_FIELDS).fill(_record_fields(draft))
    return path(components or (draft.job, stem), tail=extension.lower())


def _record_fields(draft: Plan) -> dict[str, str]:
    sheet = draft.sheet
    written = draft.recording.tags
    sides = "+".join(side.label for side in draft.sides if side.label)
    return {
        "artist": sheet.artist or written.get("artist", ""),
        "title": sheet.title or written.get("album", ""),
        "label": sheet.label or written.get("label", ""),
        "catalogue": sheet.catalogue or written.get("catalogue", ""),
        "year": "" if sheet.year is None else str(sheet.year),
        "genre": sheet.genre or written.get("genre", ""),
        "rpm": "" if sheet.rpm is None else f"{sheet.rpm:.0f}",
        "side": sides,
        "job": draft.job,
        "original": split_extension(draft.recording.parts[0].name)[0],
    }


def _track_fields(draft: Plan, side: Side, track: Track) -> dict[str, str]:
    fields = _record_fields(draft)
    width = len(str(len(side.tracks)))
    return fields | {
        "side": side.label or "",
        "number": f"{track.number:0{width}d}",
        "count": track.tags.get("track_number", str(track.number)).zfill(2),
        "track": track.title,
        "performer": track.artist or fields["artist"],
    }


STEP = Step("file", Settings, decide)
