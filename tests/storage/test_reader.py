"""Recordings are read sample-exactly, over several files, or refused with the reason."""

from __future__ import annotations

import errno
import hashlib
import itertools
import os
import random
import shutil
import struct
import subprocess
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from sidekeep.errors import Damaged, MachineFault, OutsideLimits, SidekeepError
from sidekeep.storage.header import read_header
from sidekeep.storage.reader import AudioReader, delivered_blocks
from storage.audio_files import chunk, fmt, riff, wav, words, write


def joined(
    reader: AudioReader, start: int = 0, stop: int | None = None, **options: object
) -> NDArray[Any]:
    return np.concatenate(list(reader.blocks(start, stop, **options)), axis=1)  # type: ignore[arg-type]


def test_a_file_whose_name_is_no_text_is_read(tmp_path: Path) -> None:
    path = tmp_path / os.fsdecode(b"Caf\xe9.wav")
    write(tmp_path / "a.wav", words(100, bits=24), subtype="PCM_24").rename(path)
    assert joined(AudioReader([path])).shape == (2, 100)


@pytest.mark.parametrize(
    ("name", "subtype", "bits"),
    [
        ("a.wav", "PCM_16", 16),
        ("a.wav", "PCM_24", 24),
        ("a.wav", "PCM_32", 32),
        ("a.aiff", "PCM_24", 24),
        ("a.flac", "PCM_24", 24),
        ("a.flac", "PCM_16", 16),
        ("a.w64", "PCM_24", 24),
        ("a.caf", "PCM_24", 24),
    ],
)
def test_integer_words_come_out_exactly(tmp_path: Path, name: str, subtype: str, bits: int) -> None:
    samples = words(30_000, bits=bits)
    path = write(tmp_path / name, samples, subtype=subtype)
    reader = AudioReader([path])
    assert (joined(reader, block_frames=7001) == samples.T / 2.0**31).all()
    if bits <= 24:
        single = joined(reader, dtype=np.float32)
        assert single.dtype == np.float32
        assert (single == samples.T / 2.0**31).all()


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_words_are_read_as_the_decoder_reads_them(tmp_path: Path, bits: int) -> None:
    """Without the decoder, from an odd byte, in blocks of odd lengths; libsndfile is the reference."""
    samples = words(30_001, bits=bits)
    packed = samples.astype("<i4").view(np.uint8).reshape(-1, 4)[:, 4 - bits // 8 :].tobytes()
    path = tmp_path / "a.wav"
    path.write_bytes(riff(fmt(bits=bits), chunk(b"junk", b"x" * 7), chunk(b"data", packed)))
    assert read_header(path).words_at == 12 + 24 + 16 + 8
    decoded, _ = soundfile.read(path, dtype="int32")
    for start, stop in ((0, 30_001), (1, 30_000), (12_345, 12_346)):
        found = [
            raw.copy() for raw in AudioReader([path]).raw_blocks(start, stop, block_frames=7001)
        ]
        assert np.array_equal(np.concatenate(found), decoded[start:stop])


def test_words_that_lie_otherwise_are_left_to_the_decoder(tmp_path: Path) -> None:
    """Twenty-four bits in words of 32: the words do not lie one by one as the header counts them."""
    samples = words(2000, bits=24)
    form = struct.pack("<HHIIHH", 1, 2, 48_000, 48_000 * 8, 8, 24)
    path = tmp_path / "a.wav"
    path.write_bytes(riff(chunk(b"fmt ", form), chunk(b"data", samples.tobytes())))
    assert read_header(path).words_at == 0
    big_endian = write(tmp_path / "a.aiff", samples, subtype="PCM_24")
    assert read_header(big_endian).words_at == 0


def test_the_decoder_is_believed_where_it_reads_other_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    samples = words(5000, bits=24)
    path = write(tmp_path / "a.wav", samples, subtype="PCM_24")
    wrong = replace(read_header(path), words_at=read_header(path).words_at + 3)
    monkeypatch.setattr("sidekeep.storage.reader.read_header", lambda _: wrong)
    assert (joined(AudioReader([path])) == samples.T / 2.0**31).all()


@pytest.mark.parametrize(("subtype", "kind"), [("FLOAT", np.float32), ("DOUBLE", np.float64)])
def test_floats_come_out_as_they_are(tmp_path: Path, subtype: str, kind: type) -> None:
    samples: NDArray[Any] = np.random.default_rng(1).standard_normal((9000, 2)).astype(kind)
    path = write(tmp_path / "a.wav", samples, subtype=subtype)
    assert (joined(AudioReader([path])) == samples.T).all()


def test_parts_are_one_time_line(tmp_path: Path) -> None:
    samples = words(50_000)
    cuts = [0, 17_001, 17_002, 40_000, 50_000]
    paths = [
        write(tmp_path / f"{start}.wav", samples[start:stop], subtype="PCM_24")
        for start, stop in itertools.pairwise(cuts)
    ]
    reader = AudioReader(paths)
    whole = samples.T / 2.0**31
    assert reader.frames == 50_000
    assert [part.frames for part in reader.recording().parts] == list(np.diff(cuts))
    assert (joined(reader, block_frames=4096) == whole).all()
    for start, stop in [(0, 1), (17_000, 17_003), (16_999, 45_000), (49_999, 50_000)]:
        assert (joined(reader, start, stop, block_frames=999) == whole[:, start:stop]).all()


def test_parts_that_do_not_fit_are_refused(tmp_path: Path) -> None:
    first = write(tmp_path / "1.wav", words(100), subtype="PCM_24")
    rates = write(tmp_path / "2.wav", words(100), 96_000, subtype="PCM_24")
    lengths = write(tmp_path / "3.wav", words(100), subtype="PCM_16")
    mono = write(tmp_path / "4.wav", words(100, 1), subtype="PCM_24")
    for other in (rates, lengths, mono):
        with pytest.raises(OutsideLimits, match=r"1\.wav"):
            AudioReader([first, other])


# --- hashes --------------------------------------------------------------------------------------------


def test_the_audio_hash_is_that_of_left_justified_words(tmp_path: Path) -> None:
    """Closed form: SHA-256 over the frames as 32-bit little-endian words."""
    samples = words(5000)
    path = write(tmp_path / "a.wav", samples, subtype="PCM_24")
    expected = hashlib.sha256(samples.astype("<i4").tobytes()).hexdigest()
    assert AudioReader([path]).audio_sha256() == expected


def test_the_audio_hash_is_the_same_in_every_container_and_cut(tmp_path: Path) -> None:
    samples = words(20_000, bits=16)
    files = [
        write(tmp_path / name, samples, subtype=subtype)
        for name, subtype in [
            ("a.wav", "PCM_16"),
            ("b.wav", "PCM_24"),
            ("c.flac", "PCM_16"),
            ("d.aiff", "PCM_24"),
            ("e.w64", "PCM_32"),
            ("f.caf", "PCM_16"),
        ]
    ]
    parts = [
        write(tmp_path / "1.wav", samples[:777], subtype="PCM_16"),
        write(tmp_path / "2.wav", samples[777:], subtype="PCM_16"),
    ]
    found = {AudioReader([path]).audio_sha256() for path in files}
    found.add(AudioReader(parts).audio_sha256())
    assert len(found) == 1
    shorter = write(tmp_path / "g.wav", samples[:-1], subtype="PCM_16")
    assert AudioReader([shorter]).audio_sha256() not in found


def room(channels: int, frames: int) -> NDArray[np.float32]:
    return np.empty((channels, frames), np.float32)


def check(path: Path) -> None:
    for _ in AudioReader([path]).checked_blocks(room, 1000):
        pass


# --- damage ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_what_is_no_number_is_refused(tmp_path: Path, value: float) -> None:
    samples = np.zeros((5000, 2), np.float32)
    samples[4321, 1] = value
    path = write(tmp_path / "a.wav", samples, subtype="FLOAT")
    with pytest.raises(Damaged, match="no numbers"):
        joined(AudioReader([path]))


def test_an_unfinished_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(wav(declared=0))
    with pytest.raises(Damaged, match="not a whole recording"):
        AudioReader([path])


def test_a_flac_with_flipped_bits_is_damaged(tmp_path: Path) -> None:
    """Every flip in the audio frames is found: by the decoder or by STREAMINFO's MD5."""
    rng = random.Random(7)
    path = write(tmp_path / "a.flac", words(20_000), subtype="PCM_24")
    whole = path.read_bytes()
    for _ in range(60):
        data = bytearray(whole)
        data[rng.randrange(200, len(data))] ^= 1 << rng.randrange(8)
        path.write_bytes(data)
        with pytest.raises(Damaged):
            check(path)


@pytest.mark.parametrize("bits", [16, 24])
def test_the_md5_of_the_reference_encoder_agrees(tmp_path: Path, bits: int) -> None:
    if shutil.which("flac") is None:
        pytest.skip("flac is not installed")
    source = write(tmp_path / "a.wav", words(30_000, bits=bits), subtype=f"PCM_{bits}")
    subprocess.run(["flac", "-s", source], check=True)
    encoded = source.with_suffix(".flac")
    check(encoded)
    assert AudioReader([encoded]).audio_sha256() == AudioReader([source]).audio_sha256()


def test_a_wrong_md5_alone_is_found(tmp_path: Path) -> None:
    path = write(tmp_path / "a.flac", words(9000), subtype="PCM_24")
    data = bytearray(path.read_bytes())
    data[30] ^= 1
    path.write_bytes(data)
    with pytest.raises(Damaged, match="MD5"):
        check(path)


def test_a_failing_disk_is_not_blamed_on_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path / "a.wav", words(9000), subtype="PCM_24")
    reader = AudioReader([path])

    def fail(error: Exception) -> Callable[..., None]:
        def failing(*_: object, **__: object) -> None:
            raise error

        return failing

    monkeypatch.setattr(soundfile.SoundFile, "read", fail(soundfile.LibsndfileError(2)))
    monkeypatch.setattr(Path, "open", fail(OSError(errno.EIO, "EIO")))
    with pytest.raises(MachineFault, match="input/output"):
        joined(reader)


def test_a_file_that_vanished_is_the_machines_fault(tmp_path: Path) -> None:
    with pytest.raises(MachineFault, match="not there"):
        AudioReader([tmp_path / "gone.wav"])


def test_mutated_files_decode_or_raise_what_is_documented(tmp_path: Path) -> None:
    rng = random.Random(11)
    seeds = [
        write(tmp_path / name, words(3000), subtype=subtype)
        for name, subtype in {
            "a.wav": "PCM_24",
            "b.wav": "FLOAT",
            "c.flac": "PCM_24",
            "d.aiff": "PCM_16",
            "e.caf": "PCM_24",
            "f.w64": "PCM_24",
        }.items()
    ]
    whole = {path: path.read_bytes() for path in seeds}
    outcomes = set()
    for _ in range(400):
        path = rng.choice(seeds)
        data = bytearray(whole[path])
        for _ in range(rng.randint(1, 4)):
            data[rng.randrange(rng.choice([80, len(data)]))] = rng.randrange(256)
        path.write_bytes(data)
        try:
            check(path)
            outcomes.add("read")
        except SidekeepError as error:
            outcomes.add(type(error).__name__)
    assert outcomes <= {"read", "Damaged", "NotAudio", "OutsideLimits", "Lossy"}
    assert {"read", "Damaged"} <= outcomes


def test_an_odd_chunk_size_and_one_frame_are_fine(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(
        riff(chunk(b"note", b"odd"), fmt(channels=1), chunk(b"data", struct.pack("<h", 77)))
    )
    assert joined(AudioReader([path])).tolist() == [[77 / 32768]]


def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    head = wav(b"", declared=80_000_000)
    with path.open("wb") as file:
        file.write(head)
        file.truncate(len(head) + 80_000_000)
    tracemalloc.start()
    try:
        assert sum(block.shape[1] for block in AudioReader([path]).blocks()) == 20_000_000
        assert tracemalloc.get_traced_memory()[1] < 4_000_000
    finally:
        tracemalloc.stop()


def test_copies_are_decoded_whatever_their_format(tmp_path: Path) -> None:
    samples = np.sin(np.arange(48_000) / 20)[:, None].repeat(2, 1) * 0.5
    path = write(tmp_path / "a.ogg", samples, format="OGG", subtype="VORBIS")
    decoded = np.concatenate(list(delivered_blocks(path)), axis=1)
    assert decoded.shape == (2, 48_000)
    assert np.abs(decoded - samples.T).max() < 0.05
