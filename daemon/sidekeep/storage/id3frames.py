"""Our tag fields as ID3v2.4 frames (ID3 tag version 2.4.0, native frames)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from mutagen import id3 as _id3

from sidekeep.storage.cover import Cover

id3: Any = _id3  # mutagen is typed in part only

_UTF8 = 3
_FRONT_COVER = 3
_TEXT_FRAMES = {
    "title": "TIT2",
    "artist": "TPE1",
    "album": "TALB",
    "album_artist": "TPE2",
    "label": "TPUB",
    "date": "TDRC",
    "genre": "TCON",
    "medium": "TMED",
}
_USER_TEXTS = {
    "catalogue": "CATALOGNUMBER",
    "replaygain_track_gain": "REPLAYGAIN_TRACK_GAIN",
    "replaygain_track_peak": "REPLAYGAIN_TRACK_PEAK",
    "replaygain_album_gain": "REPLAYGAIN_ALBUM_GAIN",
    "replaygain_album_peak": "REPLAYGAIN_ALBUM_PEAK",
}


def frames_of(tags: Mapping[str, str], cover: Cover | None) -> Iterator[Any]:
    """Give the frames, text in UTF-8."""
    for name, code in _TEXT_FRAMES.items():
        if name in tags:
            yield getattr(id3, code)(encoding=_UTF8, text=[tags[name]])
    if "track_number" in tags:
        total = f"/{tags['track_total']}" if "track_total" in tags else ""
        yield id3.TRCK(encoding=_UTF8, text=[tags["track_number"] + total])
    if "side" in tags:
        yield id3.TSST(encoding=_UTF8, text=[f"Side {tags['side']}"])
    if "comment" in tags:
        yield id3.COMM(encoding=_UTF8, lang="eng", desc="", text=[tags["comment"]])
    for name, description in _USER_TEXTS.items():
        if name in tags:
            yield id3.TXXX(encoding=_UTF8, desc=description, text=[tags[name]])
    if cover is not None:
        yield id3.APIC(encoding=_UTF8, mime=cover.mime, type=_FRONT_COVER, desc="", data=cover.data)
