"""Thousands of damaged recordings of every accepted format, each through a worker with its limits."""

from __future__ import annotations

import os
import random
import resource
import shutil
import signal
import struct
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile

from reliability.figures import Figure, scratch
from reliability.forked_service import bound_worker, forked, rule_sets_of
from reliability.small_sides import HOLDS
from sidekeep.preferences import Preferences
from sidekeep.service.executor import Call
from sidekeep.service.limits import limits_for
from sidekeep.service.readiness import header_finished
from sidekeep.storage.folders import Root
from sidekeep.storage.jobfiles import read_result
from sidekeep.storage.order import Order, write_order

RATE_HZ = 44_100
FORMATS = {
    "16-bit WAV": ("wav", "WAV", "PCM_16"),
    "24-bit WAV": ("wav", "WAVEX", "PCM_24"),
    "float WAV": ("wav", "WAV", "FLOAT"),
    "RF64": ("rf64", "RF64", "PCM_24"),
    "W64": ("w64", "W64", "PCM_24"),
    "AIFF": ("aiff", "AIFF", "PCM_24"),
    "CAF": ("caf", "CAF", "PCM_24"),
    "FLAC": ("flac", "FLAC", "PCM_24"),
}
EXTREMES = (b"\0\0\0\0", b"\xff\xff\xff\xff", b"\x80\0\0\0", b"\x7f\xff\xff\xff", b"\1\0\0\0")
LONGEST_S = 60.0  # of wall time for a third of a second of audio, on a busy machine
MEMORY = int(Preferences().memory_mb * 1e6)
WANTED = f"each with a reason, 0 crashes, 0 hangs, memory limit of {MEMORY >> 20} MiB kept"
QUICK, FULL = 3, 1000  # of each format
SEED = 1


@dataclass
class Outcome:
    """What became of many files."""

    files: int = 0
    ends: Counter[str] = field(default_factory=Counter)
    slowest_s: float = 0.0
    largest_mib: float = 0.0
    problems: list[str] = field(default_factory=list)


def sound(path: Path, kind: tuple[str, str, str]) -> bytes:
    """Write a third of a second of noise and tone; give the file's bytes."""
    rng = np.random.default_rng(3)
    time_s = np.arange(RATE_HZ // 3) / RATE_HZ
    tone = 0.3 * np.sin(2 * np.pi * 331.0 * time_s)
    samples = np.stack([tone, 0.8 * tone], axis=1) + rng.normal(0.0, 1e-3, (len(time_s), 2))
    soundfile.write(path, samples, RATE_HZ, format=kind[1], subtype=kind[2])
    return path.read_bytes()


def mutated(whole: bytes, rng: random.Random) -> bytes:
    """Damage a file: header bytes, header numbers, body bytes, a cut, a piece doubled or missing."""
    data = bytearray(whole)
    way = rng.choice(("head bit", "head byte", "head number", "body", "cut", "gone", "doubled"))
    head = min(len(data), 160)
    if way == "head bit":
        data[rng.randrange(head)] ^= 1 << rng.randrange(8)
    elif way == "head byte":
        for _ in range(rng.randint(1, 8)):
            data[rng.randrange(head)] = rng.randrange(256)
    elif way == "head number":
        at = rng.randrange(0, head - 4)
        data[at : at + 4] = rng.choice(EXTREMES)
    elif way == "body":
        for _ in range(rng.randint(1, 50)):
            data[rng.randrange(len(data))] = rng.randrange(256)
    elif way == "cut":
        del data[rng.randrange(len(data)) :]
    else:
        at = rng.randrange(len(data))
        piece = data[at : at + rng.choice((1, 3, 100, 4096))]
        if way == "gone":
            del data[at : at + len(piece)]
        else:
            data[at:at] = piece
    return bytes(data)


def odd_files(large: bool) -> Iterator[tuple[str, bytes]]:
    """Files that have broken readers elsewhere, by name."""
    whole = _wav()
    for cut in (0, 1, 43, 44, 45, len(whole) // 2, len(whole) - 1):
        yield f"cut at {cut}.wav", whole[:cut]
    yield "odd chunk.wav", _wav(before=b"JUNK\x03\0\0\0abc\0")
    yield "odd chunk without its byte.wav", _wav(before=b"JUNK\x03\0\0\0abc")
    yield "size unknown.wav", _wav(declared=0xFFFFFFFF)
    yield "size zero.wav", _wav(declared=0)
    yield "no frames.wav", _wav(b"")
    yield "one frame.wav", _wav(b"\1\0\2\0")
    yield "384 kHz.wav", _wav(rate_hz=384_000)
    yield "32 channels.wav", _wav(channels=32)
    yield "no channels.wav", _wav(channels=0)
    yield "rate zero.wav", _wav(rate_hz=0)
    numbers = (float("nan"), float("inf"), 3e38, -3e38, 1e-45)
    for number in numbers:
        yield f"{number}.wav", _wav(struct.pack("<2f", 0.1, number) * 4000, tag=3, bits=32)
    yield "data before format.wav", b"RIFF\xff\0\0\0WAVEdata\4\0\0\0abcd" + whole[12:36]
    yield "chunks without end.wav", b"RIFF\xff\xff\xff\x7fWAVE" + b"JUNK\0\0\0\0" * 50_000
    yield "text.wav", b"no audio at all\n" * 100
    yield "zeros.wav", bytes(100_000)
    yield "flac without frames.flac", b"fLaC\x80\0\0\x22" + bytes(34)
    if large:
        yield "larger than 4 GiB.wav", b""


def _wav(
    data: bytes = b"\1\2\3\4" * 10_000,
    *,
    channels: int = 2,
    rate_hz: int = RATE_HZ,
    tag: int = 1,
    bits: int = 16,
    declared: int | None = None,
    before: bytes = b"",
) -> bytes:
    frame = channels * bits // 8
    form = struct.pack("<HHIIHH", tag, channels, rate_hz, rate_hz * frame & 0xFFFFFFFF, frame, bits)
    size = len(data) if declared is None else declared
    body = b"WAVEfmt " + struct.pack("<I", len(form)) + form + before
    body += b"data" + struct.pack("<I", size) + data
    return b"RIFF" + struct.pack("<I", len(body)) + body


class Workbench:
    """Puts one file after the other through a worker and notes what becomes of it."""

    def __init__(self, folder: Path) -> None:
        self.root = Root(folder / "root")
        self.root.prepare()
        rules = folder / "rules"
        rules.mkdir()
        (rules / "default.yaml").write_text(HOLDS, encoding="utf-8")
        self.rules = str(rules)
        rule_sets_of(self.rules)
        self._count = 0

    def put(self, name: str, data: bytes, outcome: Outcome) -> None:
        """Send one file through a worker."""
        self._count += 1
        job = f"20310504-{self._count}"
        home = self.root.work / job
        (home / "recording").mkdir(parents=True)
        path = home / "recording" / name
        if name.startswith("larger"):
            _write_large(path)
        else:
            path.write_bytes(data)
        write_order(home, Order(job, name, "", (f"recording/{name}",)))
        outcome.files += 1
        began = time.monotonic()
        end = self._end_of(job, path, outcome)
        outcome.slowest_s = max(outcome.slowest_s, time.monotonic() - began)
        result = read_result(home)
        if end == 0 and result is not None and result.outcome in {"staged", "held", "quarantined"}:
            outcome.ends[result.outcome] += 1
            if result.outcome != "staged" and not result.message:
                outcome.problems.append(f"{name}: {result.outcome} without a reason")
        else:
            told = "" if result is None else f" {result.outcome}: {result.message}"
            outcome.problems.append(f"{name}: ended with {end}{told}")
            self._keep(path)
        shutil.rmtree(home)
        shutil.rmtree(self.root.incoming / job, ignore_errors=True)

    def _keep(self, path: Path) -> None:
        """Keep a file that was not dealt with, for whoever repairs it."""
        kept = os.environ.get("SIDEKEEP_KEEP")
        if kept:
            shutil.copyfile(path, Path(kept) / f"{self._count}-{path.name}")

    def _end_of(self, job: str, path: Path, outcome: Outcome) -> int:
        limits = limits_for(path.stat().st_size, MEMORY, 2)

        def work() -> int:
            header_finished(path)  # what the service itself reads of it
            resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
            resource.setrlimit(resource.RLIMIT_FSIZE, (limits.file_bytes, limits.file_bytes))
            return bound_worker(Call(str(self.root.path), job, limits, self.rules), os.getppid())

        pid = forked(work)
        large = path.stat().st_size > 1 << 30
        until_s = time.monotonic() + (20 * LONGEST_S if large else LONGEST_S)
        while True:
            done, status, used = os.wait4(pid, os.WNOHANG)
            if done:
                outcome.largest_mib = max(outcome.largest_mib, used.ru_maxrss / 1024)
                return os.waitstatus_to_exitcode(status)
            if time.monotonic() > until_s:
                os.kill(pid, signal.SIGKILL)
                os.waitpid(pid, 0)
                return -signal.SIGALRM
            time.sleep(0.002)


def _write_large(path: Path) -> None:
    """A silent RF64 of 4.1 GiB that takes no room (EBU Tech 3306: the sizes stand in `ds64`)."""
    frames = (4 << 30) // 6 + 20_000_000
    form = struct.pack("<HHIIHH", 1, 2, 192_000, 192_000 * 6, 6, 24)
    sizes = struct.pack("<QQQI", frames * 6 + 72, frames * 6, frames, 0)
    head = b"RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0" + sizes
    head += b"fmt \x10\0\0\0" + form + b"data\xff\xff\xff\xff"
    with path.open("wb") as file:
        file.write(head)
        file.truncate(len(head) + frames * 6)


def check(*, full: bool) -> Iterator[Figure]:
    """Damage many files of each format; give a figure for each, and one for odd files."""
    rng = random.Random(SEED)
    with scratch("damaged") as folder:
        bench = Workbench(folder)
        for name, kind in FORMATS.items():
            whole = sound(folder / f"whole.{kind[0]}", kind)
            outcome = Outcome()
            for number in range(FULL if full else QUICK):
                bench.put(f"{number}.{kind[0]}", mutated(whole, rng), outcome)
            yield _figure(f"damaged {name} files", outcome)
        outcome = Outcome()
        for name, data in odd_files(large=full):
            bench.put(name, data, outcome)
        yield _figure("files that have broken readers elsewhere", outcome)


def _figure(what: str, outcome: Outcome) -> Figure:
    ends = ", ".join(f"{count} {end}" for end, count in outcome.ends.most_common())
    measured = (
        f"{outcome.files} files: {ends}; {len(outcome.problems)} crashes or hangs; slowest "
        f"{outcome.slowest_s:.1f} s, at most {outcome.largest_mib:.0f} MiB resident"
    )
    return Figure(what, WANTED, measured, outcome.problems)
