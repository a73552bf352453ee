"""Copies hold what was written, the same bytes every time, or fail as the machine's fault."""

from __future__ import annotations

import hashlib
import resource
import shutil
import signal
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from sidekeep.errors import MachineFault, NeedsPerson
from sidekeep.storage import writer as writer_module
from sidekeep.storage.oggpages import page_crc
from sidekeep.storage.reader import AudioReader
from sidekeep.storage.writer import TrackWriter
from storage.audio_files import words

LOSSLESS = [(name, bits) for name in ("flac", "aiff", "wav") for bits in (16, 24)]
LOSSY = ["mp3", "ogg", "opus"]


def put(
    path: Path,
    samples: NDArray[Any],
    name: str,
    bits: int | None,
    step: int = 10_007,
    **options: Any,
) -> Path:
    with TrackWriter(path, name, 48_000, 2, bits, **options) as track:
        for start in range(0, samples.shape[1], step):
            track.write(samples[:, start : start + step])
    return path


def tone(frames: int = 96_000) -> NDArray[np.float64]:
    one = 0.5 * np.sin(np.arange(frames) * (2 * np.pi * 997 / 48_000))
    return np.stack([one, one])


@pytest.mark.parametrize(("name", "bits"), LOSSLESS)
def test_lossless_copies_give_back_every_word(tmp_path: Path, name: str, bits: int) -> None:
    samples = words(50_001, bits=bits).T
    path = put(tmp_path / f"a.{name}", samples, name, bits)
    reader = AudioReader([path])
    back = np.concatenate([block.copy() for block in reader.raw_blocks()]).T
    assert (back == samples).all()
    assert (reader.recording().bits, reader.rate_hz) == (bits, 48_000)


@pytest.mark.parametrize("name", LOSSY)
def test_lossy_copies_keep_length_and_level(tmp_path: Path, name: str) -> None:
    path = put(tmp_path / f"a.{name}", tone(), name, None)
    decoded, rate_hz = soundfile.read(path)
    assert rate_hz == 48_000
    assert abs(len(decoded) - 96_000) <= 2304  # MP3 decoders may keep the encoder's delay
    middle = decoded[20_000:70_000]
    assert np.sqrt(np.mean(middle**2)) == pytest.approx(0.5 / np.sqrt(2), rel=0.02)


@pytest.mark.parametrize(("name", "bits"), [*LOSSLESS, *((name, None) for name in LOSSY)])
def test_the_same_samples_give_the_same_bytes(tmp_path: Path, name: str, bits: int | None) -> None:
    samples = tone() if bits is None else words(30_000, bits=bits).T
    found = set()
    for number, step in enumerate((10_007, 10_007, 4096, 96_000)):
        path = put(tmp_path / f"{number}.{name}", samples, name, bits, step, seed="recording/1")
        found.add(hashlib.sha256(path.read_bytes()).hexdigest())
    assert len(found) == 1
    if name in {"ogg", "opus"}:
        other = put(tmp_path / f"x.{name}", samples, name, bits, seed="recording/2")
        assert hashlib.sha256(other.read_bytes()).hexdigest() not in found


@pytest.mark.parametrize("name", LOSSY)
def test_quality_rises_with_the_number(tmp_path: Path, name: str) -> None:
    noise = np.random.default_rng(1).standard_normal((2, 96_000)) * 0.1
    sizes = [
        put(tmp_path / f"{quality}.{name}", noise, name, None, quality=quality).stat().st_size
        for quality in (0, 5, 10)
    ]
    assert sizes == sorted(sizes)
    assert sizes[0] < sizes[2] / 1.5


def test_an_ogg_checksum_is_that_of_the_encoder(tmp_path: Path) -> None:
    """The encoder's own pages, before renumbering, are the independent truth."""
    path = tmp_path / "a.ogg"
    soundfile.write(path, tone().T, 48_000, format="OGG", subtype="VORBIS")
    data = path.read_bytes()
    page = bytearray(data[: data.index(b"OggS", 4)])
    stated = int.from_bytes(page[22:26], "little")
    page[22:26] = bytes(4)
    assert page_crc(page) == stated


@pytest.mark.parametrize("name", ["ogg", "opus"])
def test_renumbered_ogg_files_are_sound(tmp_path: Path, name: str) -> None:
    if shutil.which("ffmpeg") is None:
        pytest.skip("ffmpeg is not installed")
    path = put(tmp_path / f"a.{name}", tone(), name, None)
    told = subprocess.run(
        [
            "ffmpeg",
            "-v",
            "warning",
            "-err_detect",
            "crccheck+explode",
            "-i",
            path,
            "-f",
            "null",
            "-",
        ],
        capture_output=True,
        text=True,
        check=True,
    )
    assert told.stderr == ""


def test_the_reference_decoder_accepts_the_flac(tmp_path: Path) -> None:
    if shutil.which("flac") is None:
        pytest.skip("flac is not installed")
    path = put(tmp_path / "a.flac", words(50_000).T, "flac", 24)
    subprocess.run(["flac", "-s", "-t", path], check=True)


@pytest.mark.parametrize(("name", "bits"), LOSSLESS)
def test_proof_finds_a_copy_that_is_not_what_was_written(
    tmp_path: Path, name: str, bits: int
) -> None:
    path = tmp_path / f"a.{name}"
    track = TrackWriter(path, name, 48_000, 2, bits, proof=True)
    track.write(words(30_000, bits=bits).T)
    track.close()
    track.prove()
    other = put(tmp_path / f"b.{name}", words(30_000, bits=bits, seed=2).T, name, bits)
    path.write_bytes(other.read_bytes())
    with pytest.raises(MachineFault, match="other audio"):
        track.prove()


def test_an_existing_file_is_never_written_over(tmp_path: Path) -> None:
    (tmp_path / "a.flac").write_bytes(b"somebody's")
    with pytest.raises(MachineFault):
        TrackWriter(tmp_path / "a.flac", "flac", 48_000, 2, 24)
    assert (tmp_path / "a.flac").read_bytes() == b"somebody's"


@pytest.mark.parametrize(("name", "bits"), [*LOSSLESS, *((name, None) for name in LOSSY)])
def test_a_full_disk_is_the_machines_fault(tmp_path: Path, name: str, bits: int | None) -> None:
    """A limit on the size of files stands for the disk: writing fails at the same places."""
    noise = np.random.default_rng(1).standard_normal((2, 200_000)) * 0.2
    samples = noise if bits is None else words(200_000, bits=bits).T
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, before[1]))
        with pytest.raises(MachineFault, match=rf"a\.{name}"):
            put(tmp_path / f"a.{name}", samples, name, bits)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, handler)


@pytest.mark.parametrize("lost", ["end", "table"])
def test_the_last_writes_of_an_mp3_are_not_taken_on_trust(tmp_path: Path, lost: str) -> None:
    """The library says nothing when the end, or the table written into the first frame, fails."""
    path = tmp_path / "track.mp3"
    writer = TrackWriter(path, "mp3", 44_100, 2)
    writer.write(np.random.default_rng(1).standard_normal((2, 50_000)) * 0.2)
    close = writer._file.close

    def close_without_last_write() -> None:
        close()
        with path.open("r+b") as file:
            if lost == "end":
                file.truncate(path.stat().st_size - 100)
            else:
                file.seek(30)
                file.write(bytes(100))

    writer._file.close = close_without_last_write
    with pytest.raises(MachineFault, match="not written in full"):
        writer.close()


def test_the_last_write_of_a_flac_is_not_taken_on_trust(tmp_path: Path) -> None:
    """RFC 9639 §8.2: an encoder goes back to put the sizes of frames into the header, last of all."""
    path = tmp_path / "track.flac"
    writer = TrackWriter(path, "flac", 44_100, 2, 16)
    writer.write(words(5000, bits=16).T)
    close = writer._file.close

    def close_without_last_write() -> None:
        close()
        with path.open("r+b") as file:
            file.seek(12)
            file.write(bytes(6))

    writer._file.close = close_without_last_write
    with pytest.raises(MachineFault, match="could not finish its header"):
        writer.close()


def test_a_track_beyond_4_gib_needs_another_format(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer_module, "_32_BIT_LIMIT", 100_000)
    with pytest.raises(NeedsPerson, match="4 GiB"):
        put(tmp_path / "a.wav", words(30_000).T, "wav", 24)
