"""Writing tags into closed files, in what each format's own standard provides.

FLAC, Ogg Vorbis and Opus: Vorbis comments (Vorbis I §5, RFC 7845 §5.2). MP3, AIFF, WAV: ID3v2.4; WAV
has RIFF INFO as well. The same tags give the same bytes.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import mutagen
from mutagen import aiff, flac, mp3, oggopus, oggvorbis, wave

from sidekeep.errors import MachineFault
from sidekeep.storage.cleantext import clean
from sidekeep.storage.cover import Cover
from sidekeep.storage.faults import faults
from sidekeep.storage.id3frames import frames_of
from sidekeep.storage.riffinfo import append_info

FRONT_COVER = 3

# mutagen is typed in part only.
_OPEN: dict[str, Any] = {
    "flac": flac.FLAC,
    "ogg": oggvorbis.OggVorbis,
    "opus": oggopus.OggOpus,
    "mp3": mp3.MP3,
    "aiff": aiff.AIFF,
    "wav": wave.WAVE,
}
_PICTURE: Any = flac.Picture

_VORBIS_NAMES = {
    "title": ("TITLE",),
    "artist": ("ARTIST",),
    "album": ("ALBUM",),
    "album_artist": ("ALBUMARTIST",),
    "track_number": ("TRACKNUMBER",),
    "track_total": ("TRACKTOTAL",),
    "side": ("SIDE",),
    "label": ("ORGANIZATION", "LABEL"),
    "catalogue": ("CATALOGNUMBER",),
    "date": ("DATE",),
    "genre": ("GENRE",),
    "medium": ("SOURCEMEDIA",),
    "comment": ("DESCRIPTION",),
    "replaygain_track_gain": ("REPLAYGAIN_TRACK_GAIN",),
    "replaygain_track_peak": ("REPLAYGAIN_TRACK_PEAK",),
    "replaygain_album_gain": ("REPLAYGAIN_ALBUM_GAIN",),
    "replaygain_album_peak": ("REPLAYGAIN_ALBUM_PEAK",),
    "r128_track_gain": ("R128_TRACK_GAIN",),
    "r128_album_gain": ("R128_ALBUM_GAIN",),
}


def write_tags(
    path: Path, file_format: str, tags: Mapping[str, str], cover: Cover | None = None
) -> None:
    """Write tags and picture into a file that was just made; what was there is replaced.

    Args:
        path: the closed file.
        file_format: `flac`, `aiff`, `wav`, `mp3`, `ogg` or `opus`.
        tags: values by our own field names; empty ones are left out. Opus takes R128 gains, all others
            ReplayGain.
        cover: the front cover.

    Raises:
        MachineFault: the file cannot be written.
    """
    fitting = {
        name: text
        for name, value in tags.items()
        if _fits(name, file_format) and (text := clean(value))
    }
    with faults("tagging", path):
        if file_format == "wav":
            append_info(path, fitting)
        try:
            file = _OPEN[file_format](path)
            if file.tags is None:
                file.add_tags()
            file.tags.clear()
            _WRITERS[file_format](file, fitting, cover)
            file.save()
        except mutagen.MutagenError as error:
            cause = error.__cause__ or error.__context__
            if isinstance(cause, OSError):
                raise cause from error
            raise MachineFault(f"Tagging {path} failed: {error}.") from error


def _fits(name: str, file_format: str) -> bool:
    """RFC 7845 §5.2.1: Opus files carry R128 gains and no ReplayGain."""
    return not name.startswith("replaygain_" if file_format == "opus" else "r128_")


def vorbis_comments(tags: Mapping[str, str]) -> list[tuple[str, str]]:
    """Give Vorbis comments for tags, in the order of the table."""
    return [
        (name, tags[ours])
        for ours, names in _VORBIS_NAMES.items()
        if ours in tags
        for name in names
    ]


def _write_flac(file: Any, tags: Mapping[str, str], cover: Cover | None) -> None:
    file.tags.extend(vorbis_comments(tags))
    file.clear_pictures()
    if cover is not None:
        file.add_picture(_picture(cover))


def _write_ogg(file: Any, tags: Mapping[str, str], cover: Cover | None) -> None:
    file.tags.extend(vorbis_comments(tags))
    if cover is not None:
        block = base64.b64encode(_picture(cover).write()).decode("ascii")
        file.tags.append(("METADATA_BLOCK_PICTURE", block))


def _write_id3(file: Any, tags: Mapping[str, str], cover: Cover | None) -> None:
    for frame in frames_of(tags, cover):
        file.tags.add(frame)


def _picture(cover: Cover) -> Any:
    picture = _PICTURE()
    picture.type, picture.mime, picture.data = FRONT_COVER, cover.mime, cover.data
    picture.width, picture.height = cover.width, cover.height
    picture.depth, picture.colors = cover.depth, cover.colours
    return picture


_WRITERS = {
    "flac": _write_flac,
    "ogg": _write_ogg,
    "opus": _write_ogg,
    "mp3": _write_id3,
    "aiff": _write_id3,
    "wav": _write_id3,
}
