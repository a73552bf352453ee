"""Tags as independent readers find them, and as the ID3 and Xiph documents name them."""

from __future__ import annotations

import hashlib
import json
import shutil
import struct
import subprocess
import sys
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sidekeep.storage.cover import Cover
from sidekeep.storage.header import check_acceptable, read_header
from sidekeep.storage.reader import AudioReader
from sidekeep.storage.recorder_tags import read_recorder_tags
from sidekeep.storage.tags import write_tags
from sidekeep.storage.writer import TrackWriter
from storage.audio_files import words

FORMATS = {"flac": 24, "aiff": 24, "wav": 16, "mp3": None, "ogg": None, "opus": None}
TAGS = {
    "title": "Ebb & Flöd",
    "artist": "Marlow and the Tide Tables",
    "album": "Low Water",
    "album_artist": "Various",
    "track_number": "3",
    "track_total": "8",
    "side": "B",
    "label": "Saltmarsh Audio",
    "catalogue": "SMA 014",
    "date": "1987",
    "genre": "jazz",
    "medium": "TT/33",
    "comment": "balance 0.4 dB; gain 3.1 dB",
    "replaygain_track_gain": "-6.20 dB",
    "replaygain_track_peak": "0.987654",
    "replaygain_album_gain": "-5.10 dB",
    "replaygain_album_peak": "1.012345",
    "r128_track_gain": "-2867",
    "r128_album_gain": "-2586",
}
REPLAYGAIN = [name for name in TAGS if name.startswith("replaygain")]


def png(width: int = 4, height: int = 4) -> bytes:
    def part(name: bytes, content: bytes) -> bytes:
        crc = zlib.crc32(name + content)
        return struct.pack(">I", len(content)) + name + content + struct.pack(">I", crc)

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    rows = zlib.compress((b"\0" + b"\x40\x80\xc0" * 4) * 4)
    return b"\x89PNG\r\n\x1a\n" + part(b"IHDR", head) + part(b"IDAT", rows) + part(b"IEND", b"")


COVER = Cover(png(), "image/png", 4, 4, 24)


def tagged(
    folder: Path,
    name: str,
    tags: dict[str, str] | None = None,
    cover: Cover | None = None,
    **options: Any,
) -> Path:
    path = folder / f"a.{name}"
    bits = FORMATS[name]
    samples: Any = words(24_001, bits=bits).T if bits else np.zeros((2, 24_000))
    with TrackWriter(path, name, 48_000, 2, bits, seed="x", **options) as track:
        track.write(samples)
    write_tags(path, name, TAGS if tags is None else tags, cover)
    return path


def ffprobe(path: Path) -> dict[str, Any]:
    if shutil.which("ffprobe") is None:
        pytest.skip("ffprobe is not installed")
    command = ["ffprobe", "-v", "error", "-of", "json", "-show_format", "-show_streams", str(path)]
    told = json.loads(subprocess.run(command, capture_output=True, check=True).stdout)
    tags = dict(told["format"].get("tags", {}))
    tags |= next(s for s in told["streams"] if s["codec_type"] == "audio").get("tags", {})
    return {"tags": {key.lower(): value for key, value in tags.items()}, "streams": told["streams"]}


@pytest.mark.parametrize("name", FORMATS)
def test_an_independent_reader_finds_the_tags(tmp_path: Path, name: str) -> None:
    tags = ffprobe(tagged(tmp_path, name))["tags"]
    assert tags["title"] == TAGS["title"]
    assert tags["artist"] == TAGS["artist"]
    assert tags["album"] == TAGS["album"]
    assert tags["date"] == "1987"
    assert tags["genre"] == "jazz"
    assert tags["track"].split("/")[0] == "3"
    assert tags["comment"] == TAGS["comment"]
    if name == "wav":
        return  # this reader takes a WAV's INFO and leaves its ID3 alone; see below for that
    assert tags["catalognumber"] == "SMA 014"
    assert tags["album_artist"] == "Various"
    if name == "opus":
        assert (tags["r128_track_gain"], tags["r128_album_gain"]) == ("-2867", "-2586")
        assert not any(key.startswith("replaygain") for key in tags)
    else:
        assert [tags[key] for key in REPLAYGAIN] == [TAGS[key] for key in REPLAYGAIN]
        assert not any(key.startswith("r128") for key in tags)


@pytest.mark.parametrize("name", [name for name in FORMATS if name != "wav"])  # WAV: see APIC below
def test_an_independent_reader_finds_the_cover(tmp_path: Path, name: str) -> None:
    found = ffprobe(tagged(tmp_path, name, cover=COVER))
    (picture,) = [s for s in found["streams"] if s["codec_type"] == "video"]
    assert (picture["codec_name"], picture["width"], picture["height"]) == ("png", 4, 4)
    assert picture["tags"]["comment"] == "Cover (front)"


def test_metaflac_shows_the_names_of_the_vorbis_documents(tmp_path: Path) -> None:
    if shutil.which("metaflac") is None:
        pytest.skip("metaflac is not installed")
    command = ["metaflac", "--export-tags-to=-", str(tagged(tmp_path, "flac"))]
    told = subprocess.run(command, capture_output=True, text=True, check=True)
    names = [line.partition("=")[0] for line in told.stdout.splitlines()]
    assert names == [
        *("TITLE", "ARTIST", "ALBUM", "ALBUMARTIST", "TRACKNUMBER", "TRACKTOTAL", "SIDE"),
        *("ORGANIZATION", "LABEL", "CATALOGNUMBER", "DATE", "GENRE", "SOURCEMEDIA", "DESCRIPTION"),
        *("REPLAYGAIN_TRACK_GAIN", "REPLAYGAIN_TRACK_PEAK"),
        *("REPLAYGAIN_ALBUM_GAIN", "REPLAYGAIN_ALBUM_PEAK"),
    ]


def id3_frames(data: bytes) -> list[tuple[str, bytes]]:
    """A second reading of ID3v2.4 (native structure, §3.1 and §4): frame names and contents."""
    at = data.index(b"ID3\x04\x00")
    size = data[at + 6] << 21 | data[at + 7] << 14 | data[at + 8] << 7 | data[at + 9]
    body, frames, offset = data[at + 10 : at + 10 + size], [], 0
    while offset + 10 <= len(body) and body[offset]:
        raw = body[offset + 4 : offset + 8]
        length = raw[0] << 21 | raw[1] << 14 | raw[2] << 7 | raw[3]
        content = body[offset + 10 : offset + 10 + length]
        frames.append((body[offset : offset + 4].decode(), content))
        offset += 10 + length
    return frames


@pytest.mark.parametrize("name", ["mp3", "aiff", "wav"])
def test_id3_frames_are_those_of_the_document(tmp_path: Path, name: str) -> None:
    frames = id3_frames(tagged(tmp_path, name, cover=COVER).read_bytes())
    texts = {code: content for code, content in frames if code.startswith("T") and code != "TXXX"}
    expected = {
        "TIT2": TAGS["title"],
        "TPE1": TAGS["artist"],
        "TPE2": "Various",
        "TALB": "Low Water",
        "TRCK": "3/8",
        "TSST": "Side B",
        "TPUB": "Saltmarsh Audio",
        "TDRC": "1987",
        "TCON": "jazz",
        "TMED": "TT/33",
    }
    assert {code: text[1:].decode().rstrip("\0") for code, text in texts.items()} == expected
    assert {text[0] for text in texts.values()} == {3}  # UTF-8
    users = dict(text[1:].split(b"\0")[:2] for code, text in frames if code == "TXXX")
    assert users[b"CATALOGNUMBER"] == b"SMA 014"
    assert users[b"REPLAYGAIN_TRACK_GAIN"] == b"-6.20 dB"
    comment = next(content for code, content in frames if code == "COMM")
    assert comment.rstrip(b"\0") == b"\x03eng\0" + TAGS["comment"].encode()
    picture = next(content for code, content in frames if code == "APIC")
    assert picture == b"\x03image/png\0\x03\0" + COVER.data


def test_wav_has_riff_info_too(tmp_path: Path) -> None:
    raw = read_recorder_tags(tagged(tmp_path, "wav")).raw
    assert raw["info:INAM"] == TAGS["title"]
    assert raw["info:IPRD"] == "Low Water"
    assert raw["info:ITRK"] == "3"
    assert raw["info:IMED"] == "TT/33"


@pytest.mark.parametrize("name", ["flac", "aiff", "wav"])
def test_tagging_leaves_the_audio_alone(tmp_path: Path, name: str) -> None:
    path = tagged(tmp_path, name, cover=COVER)
    header = read_header(path)
    check_acceptable(header, path.name)
    back = np.concatenate([block.copy() for block in AudioReader([path]).raw_blocks()])
    assert (back == words(24_001, bits=FORMATS[name] or 0)).all()


def test_flac_keeps_its_place_where_there_was_room(tmp_path: Path) -> None:
    path = tmp_path / "a.flac"
    with TrackWriter(path, "flac", 48_000, 2, 24, room_bytes=8192) as track:
        track.write(words(24_000).T)
    size = path.stat().st_size
    write_tags(path, "flac", TAGS, COVER)
    assert path.stat().st_size == size


def test_the_same_tags_give_the_same_bytes_in_every_process(tmp_path: Path) -> None:
    script = (
        "import sys, hashlib; from pathlib import Path\n"
        "from storage.test_tags import FORMATS, COVER, tagged\n"
        "for name in FORMATS:\n"
        "    path = tagged(Path(sys.argv[1]), name, cover=COVER)\n"
        "    print(hashlib.sha256(path.read_bytes()).hexdigest()); path.unlink()\n"
    )
    tests = str(Path(__file__).parents[1])
    told = {
        subprocess.run(
            [sys.executable, "-c", script, tmp_path],
            env={"PYTHONPATH": tests, "PYTHONHASHSEED": seed, "PATH": ""},
            capture_output=True,
            check=True,
        ).stdout
        for seed in ("1", "2")
    }
    assert len(told) == 1
    assert len(told.pop().split()) == len(FORMATS)


HOSTILE = {
    "title": "a\0b\r\nTITLE=evil\x1b[31m\u202eback\ud800",
    "artist": "x" * 10_000_000,
    "album": "   \t ",
    "genre": "e\u0301",
    "comment": "=\\/:*?<script>",
}


@pytest.mark.parametrize("name", FORMATS)
def test_hostile_values_become_one_clean_line(tmp_path: Path, name: str) -> None:
    tags = ffprobe(tagged(tmp_path, name, HOSTILE))["tags"]
    assert tags["title"] == "ab TITLE=evil[31mback"
    assert tags["artist"] == "x" * 4096
    assert "album" not in tags
    assert tags["genre"] == "é"
    assert tags["comment"] == HOSTILE["comment"]


@pytest.mark.parametrize("name", FORMATS)
def test_no_tags_at_all_is_fine(tmp_path: Path, name: str) -> None:
    path = tagged(tmp_path, name, {})
    assert hashlib.sha256(path.read_bytes()).hexdigest()
    assert "title" not in ffprobe(path)["tags"]
