"""Recognising what we do not take, so that a person is told what the file really is."""

from __future__ import annotations

from sidekeep.storage.containers.header import Header, Source, State

_MAGICS: tuple[tuple[bytes, str], ...] = (
    (b"\x30\x26\xb2\x75\x8e\x66\xcf\x11", "wma"),
    (b"MPCK", "musepack"),
    (b"MP+", "musepack"),
    (b"#!AMR", "amr"),
    (b"\x0b\x77", "dolby digital"),
    (b"wvpk", "wavpack"),
    (b"MAC ", "monkey's audio"),
    (b"TTA1", "true audio"),
    (b"DSD ", "dsd"),
    (b"FRM8", "dsd"),
    (b".snd", "au"),
    (b"\x1aE\xdf\xa3", "matroska or webm"),
    (b"\xff\xd8\xff", "jpeg picture"),
    (b"\x89PNG\r\n\x1a\n", "png picture"),
    (b"GIF8", "gif picture"),
    (b"%PDF", "pdf document"),
    (b"PK\x03\x04", "zip archive"),
    (b"\x1f\x8b", "gzip archive"),
    (b"7z\xbc\xaf\x27\x1c", "7z archive"),
    (b"Rar!", "rar archive"),
    (b"\x7fELF", "program"),
    (b"MZ", "program"),
    (b"SQLite format 3", "database"),
)
LOSSY = frozenset(
    (
        *("mp3", "mpeg layer 1", "mpeg layer 2", "vorbis", "opus", "speex", "aac", "mp4", "wma"),
        *("musepack", "amr", "dolby digital", "mu-law", "a-law", "ms adpcm", "ima adpcm", "mace"),
        *("g.721 adpcm", "gsm", "qdesign"),
    )
)
LOSSLESS_NOT_TAKEN = frozenset(
    (
        *("alac", "wavpack", "monkey's audio", "true audio", "dsd", "au", "flac in ogg"),
        *("flac in wav", "flac in caf", "wma lossless"),
    )
)
_OGG_CODECS: tuple[tuple[bytes, str], ...] = (
    (b"\x01vorbis", "vorbis"),
    (b"OpusHead", "opus"),
    (b"Speex   ", "speex"),
    (b"\x7fFLAC", "flac in ogg"),
)


def read(source: Source) -> Header:
    """Name what the file is; `unknown` when nobody knows."""
    start = source.read(0, 4096)
    if not start:
        return Header("empty", state=State.UNFINISHED, reason="nothing has been written yet")
    if not any(start):
        return Header("zeros", state=State.UNFINISHED, reason="it begins with nothing but zeros")
    return Header(_name(source, start))


def _name(source: Source, start: bytes) -> str:
    if start[:4] == b"OggS":
        return next((codec for mark, codec in _OGG_CODECS if mark in start[:256]), "ogg")
    if start[4:8] == b"ftyp":
        return "alac" if b"alac" in source.read(0, 1 << 20) else "mp4"
    if start[:3] == b"ID3":
        return "mp3"
    if start[0] == 0xFF and len(start) > 2 and start[1] & 0xE0 == 0xE0:
        return _mpeg(start)
    if start[:4] == b"RIFF":
        return "webp picture" if start[8:12] == b"WEBP" else "riff file without audio"
    named = next((name for magic, name in _MAGICS if start.startswith(magic)), "")
    return named or _text(start)


def _mpeg(start: bytes) -> str:
    layer, bit_rate = start[1] >> 1 & 3, start[2] >> 4
    if layer == 0:
        return "aac" if start[1] & 0xF6 == 0xF0 else "unknown"
    if bit_rate == 15 or start[2] >> 2 & 3 == 3 or start[1] >> 3 & 3 == 1:
        return "unknown"
    return {1: "mp3", 2: "mpeg layer 2", 3: "mpeg layer 1"}[layer]


def _text(start: bytes) -> str:
    lowered = start[:512].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if lowered.startswith((b"<!doctype html", b"<html")):
        return "html page"
    try:
        text = start[:1024].decode("utf-8", "strict" if len(start) < 1024 else "ignore")
    except UnicodeDecodeError:
        return "unknown"
    return "text" if all(char.isprintable() or char in "\r\n\t\f" for char in text) else "unknown"
