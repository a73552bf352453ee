"""Thousands of damaged recordings of every accepted format, through the service with limited workers."""

from __future__ import annotations

import io
import json
import os
import random
import shutil
import signal
import struct
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np
import soundfile

from reliability import census
from reliability.figures import Figure, scratch
from reliability.forked_service import drained, forked, rule_sets_of
from reliability.small_sides import ONE_COPY
from sidekeep.preferences import Preferences
from sidekeep.service import readiness
from sidekeep.service.logs import open_log
from sidekeep.storage.folders import Root
from sidekeep.storage.quarantine import read_reason

RATE_HZ = 44_100
FORMATS = {
    "16-bit WAV": ("wav", "WAV", "PCM_16"),
    "24-bit WAV": ("wav", "WAVEX", "PCM_24"),
    "float WAV": ("wav", "WAV", "FLOAT"),
    "RF64": ("rf64", "RF64", "PCM_24"),
    "W64": ("w64", "W64", "PCM_24"),
    "AIFF": ("aiff", "AIFF", "PCM_24"),
    "AIFF-C": ("aif", "AIFF", "FLOAT"),
    "CAF": ("caf", "CAF", "PCM_24"),
    "FLAC": ("flac", "FLAC", "PCM_24"),
}
EXTREMES = (b"\0\0\0\0", b"\xff\xff\xff\xff", b"\x80\0\0\0", b"\x7f\xff\xff\xff", b"\1\0\0\0")
LARGER = "larger than 4 GiB.wav"
LONGEST_S = 2400  # of wall time for all files of one inbox; a worker's own limit is 300 s
MEMORY = int(Preferences().memory_mb * 1e6)
WANTED = (
    f"each filed, held or in quarantine, with a reason; 0 crashes, 0 hangs, at most "
    f"{MEMORY >> 20} MiB for a worker"
)
ENDS = {
    "job.filed": "filed",
    "job.held": "held",
    "job.quarantined": "in quarantine",
    "job.duplicate": "in quarantine as doubled",
}
QUICK, FULL = 3, 1000  # of each format
AT_ONCE = 50  # in one inbox
SEED = 1


@dataclass
class Outcome:
    """What became of many files."""

    files: int = 0
    ends: Counter[str] = field(default_factory=Counter)
    slowest_s: float = 0.0
    largest_mib: float = 0.0
    problems: list[str] = field(default_factory=list)


def sound(kind: tuple[str, str, str], seed: int) -> bytes:
    """Make a third of a second of noise and tone, other noise for each seed; give the file's bytes."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(RATE_HZ // 3) / RATE_HZ
    tone = 0.3 * np.sin(2 * np.pi * 331.0 * time_s)
    samples = np.stack([tone, 0.8 * tone], axis=1) + rng.normal(0.0, 1e-3, (len(time_s), 2))
    made = io.BytesIO()
    soundfile.write(made, samples, RATE_HZ, format=kind[1], subtype=kind[2])
    return made.getvalue()


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
        yield LARGER, b""


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


def sent(files: Mapping[str, bytes], folder: Path, outcome: Outcome) -> None:
    """Drop files into a fresh inbox, let the service take them all, and note what became of each."""
    root = Root(folder / "root")
    root.prepare()
    rules = folder / "rules"
    rules.mkdir(exist_ok=True)
    (rules / "default.yaml").write_text(ONE_COPY, encoding="utf-8")
    rule_sets_of(str(rules))
    for name, data in files.items():
        path = root.inbox / name
        _write_large(path) if name == LARGER else path.write_bytes(data)
    dropped = {name: census.sha256(root.inbox / name) for name in files}
    log = folder / "log"

    def work() -> int:
        signal.alarm(LONGEST_S)  # for the service alone: no fork inherits it (alarm(2))
        vars(readiness)["UNFINISHED_S"] = 0.0  # a header that is not finished waits no ten minutes
        with log.open("w", encoding="utf-8") as lines:
            return drained(root.path, rules, log=open_log(lines))

    status, used = os.wait4(forked(work), 0)[1:]
    code = os.waitstatus_to_exitcode(status)
    outcome.files += len(files)
    outcome.largest_mib = max(outcome.largest_mib, used.ru_maxrss / 1024)  # of it and its workers
    wrong = {"": [] if code == 0 else [f"the service ended with {code}"]}
    wrong[""] += census.faults(root, dropped.values()) + census.unfinished(root)
    ended = _ends(root, log, outcome, wrong)
    for name in files.keys() - ended:
        wrong.setdefault(name, []).append("never came to an end")
    for name, problems in wrong.items():
        outcome.problems += [f"{name or ', '.join(files)}: {each}" for each in problems]
        if problems:
            outcome.problems += _kept({name: files[name]} if name else files)
    shutil.rmtree(root.path)
    log.unlink()


def _ends(root: Root, log: Path, outcome: Outcome, wrong: dict[str, list[str]]) -> set[str]:
    """Read what the service told of each file; give the names of those that came to an end."""
    began: dict[str, datetime] = {}
    ended: set[str] = set()
    for line in log.read_text(encoding="utf-8").splitlines():
        told = json.loads(line)
        event, name = told["event"], told.get("file", "")
        at = datetime.fromisoformat(told["timestamp"])
        if event == "job.started":
            began[told["job"]] = at
        elif event in ENDS:
            ended.add(name)
            outcome.ends[ENDS[event]] += 1
            took = at - began.get(told["job"], at)
            outcome.slowest_s = max(outcome.slowest_s, took.total_seconds())
            in_quarantine = event in {"job.quarantined", "job.duplicate"}
            reason = read_reason(root.quarantine / told["job"]) if in_quarantine else told
            if event != "job.filed" and not reason.get("why"):
                wrong.setdefault(name, []).append(f"{ENDS[event]} without a reason")
        elif event in {"job.queued", "job.deferred"} or told["level"] == "error":
            wrong.setdefault(name, []).append(f"{event}: {told.get('why')}")
    return ended


def _kept(files: Mapping[str, bytes]) -> list[str]:
    """Keep files that were not dealt with, for whoever repairs it; say where."""
    folder = Path(tempfile.mkdtemp(prefix="sidekeep-damaged-"))
    for name, data in files.items():
        (folder / name).write_bytes(data)
    return [f"kept in {folder}"]


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
    count = FULL if full else QUICK
    with scratch("damaged") as folder:
        for what, kind in FORMATS.items():
            outcome = Outcome()
            for start in range(0, count, AT_ONCE):
                some = range(start, min(count, start + AT_ONCE))
                files = {f"{n}.{kind[0]}": mutated(sound(kind, n), rng) for n in some}
                sent(files, folder, outcome)
            yield _figure(f"damaged {what} files", outcome)
        outcome = Outcome()
        sent(dict(odd_files(large=full)), folder, outcome)
        yield _figure("files that have broken readers elsewhere", outcome)


def _figure(what: str, outcome: Outcome) -> Figure:
    ends = ", ".join(f"{count} {end}" for end, count in outcome.ends.most_common())
    measured = (
        f"{outcome.files} files: {ends}; {len(outcome.problems)} problems; slowest "
        f"{outcome.slowest_s:.1f} s, at most {outcome.largest_mib:.0f} MiB resident"
    )
    return Figure(what, WANTED, measured, outcome.problems)
