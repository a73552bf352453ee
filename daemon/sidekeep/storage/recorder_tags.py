"""What the recorder wrote about a recording: RIFF INFO, bext, AIFF texts, CAF info, FLAC comments.

Everything is bounded and cleaned: a recorder's text may be anything.
"""

from __future__ import annotations

import os
import re
import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from sidekeep.storage.cleantext import clean
from sidekeep.storage.containers import aiff, caf, flac, riff, w64
from sidekeep.storage.containers.header import Chunk, Malformed, Source

_LONGEST_BYTES = 64 << 10
_MOST_FIELDS = 256

_INFO = {
    "INAM": "title",
    "IART": "artist",
    "IPRD": "album",
    "ICRD": "date",
    "IGNR": "genre",
    "ICMT": "comment",
    "ITRK": "track_number",
}
_AIFF_TEXTS = {"NAME": "title", "AUTH": "artist", "ANNO": "comment"}
_CAF_INFO = {
    "title": "title",
    "artist": "artist",
    "album": "album",
    "year": "date",
    "genre": "genre",
    "comments": "comment",
}
_VORBIS = {
    "TITLE": "title",
    "ARTIST": "artist",
    "ALBUM": "album",
    "ALBUMARTIST": "album_artist",
    "DATE": "date",
    "GENRE": "genre",
    "DESCRIPTION": "comment",
    "COMMENT": "comment",
    "TRACKNUMBER": "track_number",
    "ORGANIZATION": "label",
    "LABEL": "label",
    "CATALOGNUMBER": "catalogue",
}
_BEXT = {
    "description": "comment",
    "originator": "originator",
    "time_reference": "time_reference",
    "coding_history": "coding_history",
}


@dataclass(frozen=True, slots=True)
class RecorderTags:
    """What was written: `fields` under our own names, `raw` under those of the format.

    Beside the tag fields there are `recorded` (when the transfer was made, from bext or a full date),
    `originator`, `coding_history`, and `time_reference` (the first frame's place in the day, counted
    in frames since midnight; it tells which part of a split recording comes first). `date` is that of
    the record: only a bare year is taken for it.
    """

    fields: Mapping[str, str] = field(default_factory=dict)
    raw: Mapping[str, str] = field(default_factory=dict)


def read_recorder_tags(path: str | Path) -> RecorderTags:
    """Read what the recorder wrote; what cannot be read is left out.

    Raises:
        OSError: the file cannot be opened or read.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        source = Source(descriptor, os.fstat(descriptor).st_size)
        raw: dict[str, str] = {}
        fields: dict[str, str] = {}
        try:
            for scheme, name, value, ours in _written(source):
                text = clean(value)
                if text and len(raw) < _MOST_FIELDS:
                    raw.setdefault(f"{scheme}:{name}", text)
                    if ours:
                        fields.setdefault(*_field(ours, text))
        except (Malformed, struct.error):
            pass  # the header check speaks of that; what was read so far stands
        return RecorderTags(fields, raw)
    finally:
        os.close(descriptor)


def _field(name: str, text: str) -> tuple[str, str]:
    """Tell the record's year from the day of the transfer."""
    if name == "date" and not re.fullmatch(r"\d{4}", text):
        return "recorded", text
    return name, text


_Written = Iterator[tuple[str, str, str, str | None]]


def _written(source: Source) -> _Written:
    """Give scheme, name, text, and our own field name where there is one."""
    start = source.read(0, 12)
    if start[8:12] == b"WAVE":
        return _from_riff(source)
    if start[:4] == b"riff":
        return _from_w64(source)
    if start[:4] == b"FORM":
        return _from_aiff(source)
    if start[:4] == b"caff":
        return _from_caf(source)
    return _from_flac(source) if flac.start_of(source) >= 0 else iter(())


def _from_riff(source: Source) -> _Written:
    for chunk in riff.chunks(source):
        if chunk.name == b"bext":
            yield from _bext(_content(source, chunk))
        elif chunk.name == b"LIST" and source.read(chunk.offset, 4) == b"INFO":
            yield from _info(_content(source, chunk))


def _from_w64(source: Source) -> _Written:
    for chunk in w64.chunks(source):
        if chunk.name == b"bext":
            yield from _bext(_content(source, chunk))


def _from_aiff(source: Source) -> _Written:
    for chunk in aiff.chunks(source):
        name = chunk.name.decode("latin-1")
        if name in _AIFF_TEXTS:
            yield "aiff", name, _text(_content(source, chunk)), _AIFF_TEXTS[name]


def _from_caf(source: Source) -> _Written:
    for chunk in caf.chunks(source):
        if chunk.name == b"info":
            words = _content(source, chunk)[4:].split(b"\0")
            for name, text in zip(words[::2], words[1::2], strict=False):
                yield "caf", _text(name), _text(text), _CAF_INFO.get(_text(name).lower())


def _from_flac(source: Source) -> _Written:
    for block in flac.blocks(source):
        if block.name == bytes([flac.VORBIS_COMMENT]):
            yield from _comments(_content(source, block))


def _content(source: Source, chunk: Chunk) -> bytes:
    return source.read(chunk.offset, min(chunk.size, _LONGEST_BYTES))


def _info(data: bytes) -> _Written:
    offset = 4
    while offset + 8 <= len(data):
        code, size = struct.unpack_from("<4sI", data, offset)
        name = code.decode("latin-1")
        yield "info", name, _text(data[offset + 8 : offset + 8 + size]), _INFO.get(name)
        offset += 8 + size + (size & 1)


def _bext(data: bytes) -> _Written:
    """Read a broadcast extension (EBU Tech 3285 v2, May 2011)."""
    if len(data) < 602:
        return
    low, high = struct.unpack_from("<II", data, 338)
    values = {
        "description": _text(data[:256]),
        "originator": _text(data[256:288]),
        "originator_reference": _text(data[288:320]),
        "date": _text(data[320:330]),
        "time": _text(data[330:338]),
        "time_reference": str(high << 32 | low),
        "coding_history": _text(data[602:]),
    }
    for name, text in values.items():
        yield "bext", name, text, _BEXT.get(name)
    if re.match(r"\d{4}.\d\d.\d\d", values["date"]):
        moment = f"{values['date']} {values['time']}".strip()
        yield "bext", "moment", moment, "recorded"


def _comments(data: bytes) -> _Written:
    """Read Vorbis comments (Vorbis I §5.2.1)."""
    (vendor,) = struct.unpack_from("<I", data)
    (count,) = struct.unpack_from("<I", data, 4 + vendor)
    offset = 8 + vendor
    for _ in range(min(count, _MOST_FIELDS)):
        (length,) = struct.unpack_from("<I", data, offset)
        name, _, text = _text(data[offset + 4 : offset + 4 + length]).partition("=")
        yield "vorbis", name.upper(), text, _VORBIS.get(name.upper())
        offset += 4 + length


def _text(data: bytes) -> str:
    """Decode text up to its first NUL: UTF-8 where it is that, else Latin-1."""
    data = data.partition(b"\0")[0]
    try:
        return data.decode()
    except UnicodeDecodeError:
        return data.decode("latin-1")
