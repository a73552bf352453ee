"""Headers say what a file is, whether it is complete, and whether it can be processed."""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import struct
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest
import soundfile

from sidekeep.errors import Damaged, Lossy, Misnamed, NotAudio, OutsideLimits, Unusable
from sidekeep.service.readiness import header_finished
from sidekeep.storage.containers.header import Header, State
from sidekeep.storage.header import check_acceptable, read_header
from storage.audio_files import bext, chunk, fmt, riff, wav, words, write

CONTAINERS = [
    ("a.wav", "WAV", "PCM_16", "wav"),
    ("a.wav", "WAV", "PCM_24", "wav"),
    ("a.wav", "WAV", "PCM_32", "wav"),
    ("a.wav", "WAV", "FLOAT", "wav"),
    ("a.wav", "WAV", "DOUBLE", "wav"),
    ("a.wav", "WAVEX", "PCM_24", "wav"),
    ("a.wav", "WAVEX", "FLOAT", "wav"),
    ("a.wav", "RF64", "PCM_24", "rf64"),
    ("a.w64", "W64", "PCM_24", "w64"),
    ("a.w64", "W64", "FLOAT", "w64"),
    ("a.aiff", "AIFF", "PCM_16", "aiff"),
    ("a.aif", "AIFF", "PCM_24", "aiff"),
    ("a.aifc", "AIFF", "FLOAT", "aifc"),
    ("a.caf", "CAF", "PCM_24", "caf"),
    ("a.caf", "CAF", "FLOAT", "caf"),
    ("a.flac", "FLAC", "PCM_16", "flac"),
    ("a.flac", "FLAC", "PCM_24", "flac"),
]
BITS = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32, "DOUBLE": 64}


@pytest.mark.parametrize(("name", "major", "subtype", "container"), CONTAINERS)
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 192_000])
def test_a_whole_file_is_read_as_libsndfile_reads_it(
    tmp_path: Path, name: str, major: str, subtype: str, container: str, channels: int, rate_hz: int
) -> None:
    path = write(
        tmp_path / name, words(5001, channels), rate_hz=rate_hz, format=major, subtype=subtype
    )
    header = read_header(path)
    known = soundfile.info(path)
    assert (header.container, header.state) == (container, State.FINISHED), header.reason
    assert header.bits == BITS[subtype]
    assert header.sample_type == ("float" if subtype in {"FLOAT", "DOUBLE"} else "int")
    assert (header.rate_hz, header.channels, header.frames) == (
        known.samplerate,
        known.channels,
        known.frames,
    )
    check_acceptable(header, name)


@pytest.mark.parametrize(("name", "major", "subtype", "container"), CONTAINERS)
def test_a_file_cut_short_is_unfinished(
    tmp_path: Path, name: str, major: str, subtype: str, container: str
) -> None:
    path = write(tmp_path / name, words(20_000), format=major, subtype=subtype)
    whole = path.read_bytes()
    for length in (len(whole) // 2, len(whole) - 100, len(whole) - 1):
        path.write_bytes(whole[:length])
        assert read_header(path).state is State.UNFINISHED, length


# --- recorders that have not finished (sizes observed in the field) ----------------------------------


@pytest.mark.parametrize("declared", [0, 0xFFFFFFFF, 0x7FFFF000, 0x7FFFF024, 0x7FFFFFFF])
@pytest.mark.parametrize("riff_size", [0, 36, 0xFFFFFFFF, 0x7FFFF024])
def test_a_size_that_recorders_leave_until_they_finish_means_unfinished(
    tmp_path: Path, declared: int, riff_size: int
) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(riff(fmt(), chunk(b"data", b"\1\2" * 5000, declared), size=riff_size))
    header = read_header(path)
    assert header.state is State.UNFINISHED
    assert header.frames in {0, 2500}
    with pytest.raises(Damaged):
        check_acceptable(header, "a.wav")


def test_a_header_just_begun_is_unfinished(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    whole = wav()
    for length in (0, 4, 12, 20, 36, 44):
        path.write_bytes(whole[:length])
        assert read_header(path).state is not State.FINISHED


@pytest.mark.parametrize(("name", "major", "subtype", "container"), CONTAINERS)
@pytest.mark.parametrize("tag", [b"", b"ID3\4\0\0\0\0\1\0" + bytes(128)])
def test_every_beginning_of_a_recording_is_unfinished(
    tmp_path: Path, name: str, major: str, subtype: str, container: str, tag: bytes
) -> None:
    path = write(tmp_path / name, words(40), format=major, subtype=subtype)
    whole = (tag if container == "flac" else b"") + path.read_bytes()
    for length in range(min(len(whole), 300)):
        path.write_bytes(whole[:length])
        assert header_finished(path) is False, length


def test_audio_beyond_the_declared_end_means_that_the_recorder_died(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(wav(b"\1\2" * 40_000, declared=20_000))
    assert read_header(path).state is State.UNFINISHED


def test_chunks_and_small_leftovers_may_follow_the_audio(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    list_chunk = chunk(b"LIST", b"INFO" + chunk(b"INAM", b"Ebb\0"))
    path.write_bytes(riff(fmt(), chunk(b"data", b"\1" * 4001), list_chunk) + b"TAG" + b"\0" * 125)
    header = read_header(path)
    assert (header.state, header.frames) == (State.FINISHED, 1000)


def test_rf64_beyond_4_gib_is_read_without_reading_it(tmp_path: Path) -> None:
    data_size = 5 << 30
    ds64 = chunk(b"ds64", struct.pack("<QQQI", data_size + 72, data_size, data_size // 6, 0))
    head = riff(ds64, fmt(bits=24, rate_hz=96_000), size=0xFFFFFFFF, kind=b"RF64")
    path = tmp_path / "a.wav"
    with path.open("wb") as file:
        file.write(head + struct.pack("<4sI", b"data", 0xFFFFFFFF))
        file.truncate(len(head) + 8 + data_size)
    header = read_header(path)
    assert (header.container, header.state, header.frames) == (
        "rf64",
        State.FINISHED,
        data_size // 6,
    )
    with path.open("r+b") as file:
        file.truncate(len(head) + 8 + data_size - 6)
    assert read_header(path).state is State.UNFINISHED


def test_bw64_and_bwf_are_wav_with_more(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    ds64 = chunk(b"ds64", struct.pack("<QQQI", 8000, 8000, 0, 0))
    data = struct.pack("<4sI", b"data", 0xFFFFFFFF) + b"\1" * 8000
    path.write_bytes(riff(ds64, bext("side A"), fmt(), data, kind=b"BW64"))
    header = read_header(path)
    assert (header.container, header.state, header.frames) == ("bw64", State.FINISHED, 2000)


def test_a_caf_that_is_open_ended_is_unfinished(tmp_path: Path) -> None:
    path = write(tmp_path / "a.caf", words(5000), format="CAF", subtype="PCM_24")
    data = bytearray(path.read_bytes())
    at = data.index(b"data")
    struct.pack_into(">Q", data, at + 4, 0xFFFFFFFFFFFFFFFF)
    path.write_bytes(data)
    assert read_header(path).state is State.UNFINISHED


def test_flac_with_no_length_is_unfinished(tmp_path: Path) -> None:
    path = write(tmp_path / "a.flac", words(9000), subtype="PCM_24")
    data = bytearray(path.read_bytes())
    data[21] &= 0xF0
    data[22:26] = bytes(4)
    path.write_bytes(data)
    assert read_header(path).state is State.UNFINISHED


def test_flac_gives_the_md5_of_streaminfo(tmp_path: Path) -> None:
    if shutil.which("metaflac") is None:
        pytest.skip("metaflac is not installed")
    path = write(tmp_path / "a.flac", words(9000), subtype="PCM_24")
    told = subprocess.run(
        ["metaflac", "--show-md5sum", path], capture_output=True, text=True, check=True
    )
    assert read_header(path).md5 == told.stdout.strip()


def test_flac_of_the_reference_encoder_is_whole_whatever_its_blocks(tmp_path: Path) -> None:
    if shutil.which("flac") is None:
        pytest.skip("flac is not installed")
    source = write(tmp_path / "a.wav", words(30_001), subtype="PCM_24")
    for options in (["-0"], ["-8"], ["-b", "4608"], ["-b", "1000"], ["--lax", "-b", "20000"]):
        subprocess.run(["flac", "-s", "-f", *options, source], check=True)
        header = read_header(source.with_suffix(".flac"))
        assert (header.state, header.frames) == (State.FINISHED, 30_001), options


def test_preallocated_zeros_and_nothing_are_unfinished(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(bytes(100_000))
    assert read_header(path).state is State.UNFINISHED
    path.write_bytes(b"")
    assert read_header(path).state is State.UNFINISHED


# --- what is refused, and why ------------------------------------------------------------------------


def _header(path: Path, data: bytes) -> Header:
    path.write_bytes(data)
    return read_header(path)


@pytest.mark.parametrize("subtype", ["MS_ADPCM", "IMA_ADPCM", "ULAW", "ALAW", "GSM610"])
def test_lossy_codings_inside_wav_are_refused(tmp_path: Path, subtype: str) -> None:
    channels = 1 if subtype == "GSM610" else 2
    path = write(tmp_path / "a.wav", words(6400, channels), subtype=subtype)
    with pytest.raises(Lossy, match=r"a\.wav"):
        check_acceptable(read_header(path), "a.wav")


@pytest.mark.parametrize(
    ("major", "subtype"),
    [
        ("AIFF", "IMA_ADPCM"),
        ("AIFF", "ULAW"),
        ("CAF", "ALAW"),
        ("MP3", "MPEG_LAYER_III"),
        ("OGG", "VORBIS"),
        ("OGG", "OPUS"),
    ],
)
def test_lossy_files_are_refused_even_when_named_wav(
    tmp_path: Path, major: str, subtype: str
) -> None:
    path = write(tmp_path / "a.wav", words(9600), format=major, subtype=subtype)
    with pytest.raises(Lossy):
        check_acceptable(read_header(path), "a.wav")


def test_mp3_in_wav_is_lossy(tmp_path: Path) -> None:
    with pytest.raises(Lossy, match="mp3"):
        check_acceptable(_header(tmp_path / "a.wav", wav(tag=0x55)), "a.wav")


def test_lossless_codings_that_are_not_read_get_advice(tmp_path: Path) -> None:
    path = write(tmp_path / "a.caf", words(6000), format="CAF", subtype="ALAC_24")
    with pytest.raises(OutsideLimits, match="alac") as refused:
        check_acceptable(read_header(path), "a.caf")
    assert "FLAC" in refused.value.advice


FOREIGN = {
    b"<!DOCTYPE html><html>": "html page",
    b"\x89PNG\r\n\x1a\n" + bytes(30): "png picture",
    b"\xff\xd8\xff\xe0" + bytes(30): "jpeg picture",
    b"PK\x03\x04" + bytes(30): "zip archive",
    b"artist: Marlow\n": "text",
    b"RIFF\x10\0\0\0AVI LIST": "riff file without audio",
    bytes(range(1, 200)): "unknown",
}


@pytest.mark.parametrize(("data", "what"), FOREIGN.items(), ids=FOREIGN.values())
def test_other_files_are_named_for_what_they_are(tmp_path: Path, data: bytes, what: str) -> None:
    header = _header(tmp_path / "a.wav", data)
    assert header.container == what
    with pytest.raises(NotAudio):
        check_acceptable(header, "a.wav")


@pytest.mark.parametrize(
    "data",
    [
        b"ID3\x04\x00\x00\x00\x00\x00\x10" + bytes(30),
        b"\xff\xfb\x90d" + bytes(30),
        b"\x00\x00\x00 ftypM4A " + bytes(30),
        b"0&\xb2u\x8ef\xcf\x11" + bytes(30),
    ],
    ids=["mp3 with tag", "mp3", "mp4", "wma"],
)
def test_lossy_files_are_recognised_by_their_first_bytes(tmp_path: Path, data: bytes) -> None:
    with pytest.raises(Lossy):
        check_acceptable(_header(tmp_path / "a.mp3", data), "a.mp3")


@pytest.mark.parametrize(
    ("name", "right"),
    [("a.flac", ".wav"), ("a.aiff", ".wav"), ("a.mp3", ".wav"), ("A.W64", ".wav")],
)
def test_a_name_that_lies_is_refused_with_the_right_name(
    tmp_path: Path, name: str, right: str
) -> None:
    with pytest.raises(Misnamed) as refused:
        check_acceptable(_header(tmp_path / "a", wav()), name)
    assert right in refused.value.advice


@pytest.mark.parametrize(
    "form",
    [
        {"rate_hz": 32_000},
        {"rate_hz": 384_000},
        {"channels": 6},
        {"channels": 32},
        {"bits": 8},
        {"rate_hz": 0},
    ],
    ids=str,
)
def test_numbers_outside_the_limits_are_refused(tmp_path: Path, form: dict[str, Any]) -> None:
    with pytest.raises(OutsideLimits):
        check_acceptable(_header(tmp_path / "a.wav", wav(**form)), "a.wav")


def test_a_file_without_frames_is_refused(tmp_path: Path) -> None:
    with pytest.raises(Damaged):
        check_acceptable(_header(tmp_path / "a.wav", wav(b"")), "a.wav")


def test_a_link_is_not_followed_and_a_pipe_not_waited_for(tmp_path: Path) -> None:
    (tmp_path / "real.wav").write_bytes(wav())
    (tmp_path / "link.wav").symlink_to(tmp_path / "real.wav")
    os.mkfifo(tmp_path / "pipe.wav")
    with pytest.raises(OSError, match="symbolic"):
        read_header(tmp_path / "link.wav")
    with pytest.raises(NotAudio):
        read_header(tmp_path / "pipe.wav")


# --- hostile headers -------------------------------------------------------------------------------------


def test_mutated_headers_neither_hang_nor_raise_anything_undocumented(tmp_path: Path) -> None:
    """Invariant: any bytes give a header, and `check_acceptable` only documented errors."""
    rng = random.Random(20_240_101)
    seeds = []
    for number, (name, major, subtype, _) in enumerate(CONTAINERS):
        path = write(tmp_path / f"{number}{name}", words(3000), format=major, subtype=subtype)
        seeds.append((path, path.read_bytes()))
    started = time.process_time()
    for _ in range(1500):
        path, whole = rng.choice(seeds)
        data = bytearray(whole[: rng.choice([60, 200, len(whole)])])
        for _ in range(rng.randint(1, 8)):
            at = rng.randrange(min(len(data), 160))
            data[at] = rng.choice([0, 1, 0x7F, 0x80, 0xFF, rng.randrange(256)])
        path.write_bytes(data)
        with contextlib.suppress(Unusable):
            check_acceptable(read_header(path), path.name)
    assert time.process_time() - started < 20


def test_endless_chunks_are_given_up(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(riff(*[chunk(b"junk", b"")] * 400_000))
    started = time.process_time()
    header = read_header(path)
    assert header.state is State.UNKNOWN
    assert time.process_time() - started < 2
