"""What recorders write is read under our own names, bounded and cleaned."""

from __future__ import annotations

import random
import shutil
import struct
import subprocess
from pathlib import Path

import pytest

from sidekeep.storage.recorder_tags import read_recorder_tags
from storage.audio_files import bext, chunk, fmt, riff, words, write

DATA = chunk(b"data", b"\1\2" * 100)


def info(**values: str) -> bytes:
    items = b"".join(chunk(code.encode(), text.encode() + b"\0") for code, text in values.items())
    return chunk(b"LIST", b"INFO" + items)


def test_info_and_bext_are_read(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    texts = info(INAM="Low Water A", IART="Marlow", ICRD="1987", ISFT="Recorder 1.0")
    described = bext("side A of SMA 014", "2024-05-06", "19:20:21", 48_000 * 3600)
    path.write_bytes(riff(described, fmt(), DATA, texts))
    tags = read_recorder_tags(path)
    assert tags.fields == {
        "title": "Low Water A",
        "artist": "Marlow",
        "date": "1987",
        "comment": "side A of SMA 014",
        "originator": "recorder",
        "time_reference": "172800000",
        "coding_history": "A=ANALOGUE,M=stereo,T=33 1/3 rpm",
        "recorded": "2024-05-06 19:20:21",
    }
    assert tags.raw["info:ISFT"] == "Recorder 1.0"


def test_a_full_date_is_that_of_the_transfer(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(riff(fmt(), DATA, info(ICRD="2024-05-06")))
    assert read_recorder_tags(path).fields == {"recorded": "2024-05-06"}


def test_comments_of_a_flac_are_read(tmp_path: Path) -> None:
    if shutil.which("metaflac") is None:
        pytest.skip("metaflac is not installed")
    path = write(tmp_path / "a.flac", words(5000), subtype="PCM_24")
    tags = ["--set-tag=Title=Ebb", "--set-tag=ALBUM=Low Water", "--set-tag=ODD=x"]
    subprocess.run(["metaflac", *tags, path], check=True)
    found = read_recorder_tags(path)
    assert found.fields == {"title": "Ebb", "album": "Low Water"}
    assert found.raw["vorbis:ODD"] == "x"


def test_texts_of_aiff_are_read(tmp_path: Path) -> None:
    path = write(tmp_path / "a.aiff", words(500), subtype="PCM_24")
    data = path.read_bytes() + b"NAME" + struct.pack(">I", 3) + b"Ebb\0"
    path.write_bytes(data[:4] + struct.pack(">I", len(data) - 8) + data[8:])
    assert read_recorder_tags(path).fields == {"title": "Ebb"}


def test_info_of_caf_is_read(tmp_path: Path) -> None:
    path = write(tmp_path / "a.caf", words(500), format="CAF", subtype="PCM_24")
    strings = struct.pack(">I", 2) + b"title\0Ebb\0artist\0Marlow\0"
    path.write_bytes(path.read_bytes() + b"info" + struct.pack(">Q", len(strings)) + strings)
    assert read_recorder_tags(path).fields == {"title": "Ebb", "artist": "Marlow"}


def test_text_that_is_not_utf_8_is_latin_1(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(riff(fmt(), DATA, chunk(b"LIST", b"INFO" + chunk(b"INAM", b"Fl\xf6d\0"))))
    assert read_recorder_tags(path).fields == {"title": "Flöd"}


def test_hostile_tags_are_bounded(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    many = {f"I{number:03X}": "x" for number in range(2000)}
    path.write_bytes(riff(fmt(), DATA, info(INAM="\x1b[2J\nEbb" * 100_000), info(**many)))
    tags = read_recorder_tags(path)
    assert len(tags.raw) <= 256
    assert len(tags.fields["title"]) <= 4096
    assert "\x1b" not in tags.fields["title"]


def test_mutated_files_give_tags_or_none(tmp_path: Path) -> None:
    rng = random.Random(3)
    wave = tmp_path / "a.wav"
    wave.write_bytes(riff(bext("x", "2024-05-06"), fmt(), DATA, info(INAM="Ebb", IART="Marlow")))
    seeds = [wave] + [
        write(tmp_path / name, words(300), subtype="PCM_24")
        for name in ("b.flac", "c.aiff", "d.caf", "e.w64")
    ]
    whole = {path: path.read_bytes() for path in seeds}
    for _ in range(600):
        path = rng.choice(seeds)
        data = bytearray(whole[path])
        for _ in range(rng.randint(1, 6)):
            data[rng.randrange(len(data))] = rng.choice([0, 255, rng.randrange(256)])
        path.write_bytes(data[: rng.choice([50, len(data)])])
        assert len(read_recorder_tags(path).raw) <= 256
