"""Whole jobs against ffmpeg doing a small part of the same in two passes."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from statistics import median

import numpy as np
import soundfile

from benchmarks.material import LONG, OF_RECORD, OTHERS, OUT, SHORT, Recording, made, sheet
from benchmarks.memory import peak_below_mb
from benchmarks.processes import Done, Spent, run, sidekeep
from benchmarks.table import Row
from sidekeep.storage.folders import Root

_FFMPEG = ("ffmpeg", "-nostdin", "-hide_banner", "-nostats", "-y", "-i")
_SIDES = 8
_TOGETHER = "with all it forks, proportional set size"


@dataclass(frozen=True, slots=True)
class Pair:
    """One job and the reference on the same file in the same minute."""

    job: Spent
    verdict_s: float
    measuring: Spent
    encoding: Spent

    @property
    def reference(self) -> Spent:
        """Both passes of the reference."""
        return self.measuring + self.encoding


def whole_jobs(runs: int) -> Iterator[Row]:
    """The file of record, and the same side in other formats."""
    for recording in (OF_RECORD, *OTHERS):
        pairs = [_pair(recording) for _ in range(runs if recording is OF_RECORD else 1)]
        wall = median(pair.job.wall_s / pair.reference.wall_s for pair in pairs)
        cpu = median(pair.job.cpu_s / pair.reference.cpu_s for pair in pairs)
        yield _against(f"whole job, wall, {recording.name}", wall, 1.0, pairs, "wall_s")
        yield _against(f"whole job, CPU, {recording.name}", cpu, 1.5, pairs, "cpu_s")
        verdict = median(pair.verdict_s / (0.6 * pair.measuring.wall_s + 1.0) for pair in pairs)
        verdict_s = median(pair.verdict_s for pair in pairs)
        passed_s = median(pair.measuring.wall_s for pair in pairs)
        yield Row(
            "file complete to verdict",
            verdict,
            "x",
            most=1.0,
            detail=f"{verdict_s:.2f} s against 0.6 x {passed_s:.2f} s + 1 s",
        )
        peak_mb = _peak_mb(recording)
        yield Row("peak memory of a worker", peak_mb, "MB", most=220.0, detail=_TOGETHER)


def growth(runs: int) -> Iterator[Row]:
    """Two hours against twenty minutes, one after the other."""
    shorter = [_job(OF_RECORD)[0] for _ in range(runs)]
    longer, _ = _job(LONG)
    times = LONG.length_s / OF_RECORD.length_s
    for name in ("wall_s", "cpu_s"):
        base_s = median(getattr(spent, name) for spent in shorter)
        ratio = getattr(longer, name) / base_s / times
        detail = f"{getattr(longer, name):.1f} s against {base_s:.1f} s"
        what = f"2 h against 20 min, per length, {name.removesuffix('_s')}"
        yield Row(what, ratio, "x", most=1.1, least=0.9, detail=detail)
    base_mb, long_mb = _peak_mb(OF_RECORD), _peak_mb(LONG)
    yield Row(
        "peak memory, 2 h against 20 min",
        long_mb / base_mb,
        "x",
        most=1.1,
        least=0.9,
        detail=f"{long_mb:.0f} MB against {base_mb:.0f} MB",
    )


def workers(runs: int) -> Iterator[Row]:
    """Eight sides with two workers against one."""
    ratios: list[float] = []
    details: list[str] = []
    for _ in range(runs):
        one_s, two_s = (_eight_sides_took_s(count) for count in (1, 2))
        ratios.append(one_s / two_s)
        details.append(f"{one_s:.1f} s / {two_s:.1f} s")
    yield Row(
        f"{_SIDES} sides, two workers against one",
        median(ratios),
        "x",
        least=1.8,
        detail=details[0],
    )


def filed_root(recording: Recording) -> Root:
    """A root in which the recording is filed."""
    _job(recording)
    return Root(OUT / "root")


def _against(what: str, ratio: float, most: float, pairs: list[Pair], name: str) -> Row:
    ours, theirs = (
        median(getattr(each, name) for each in spents)
        for spents in ([p.job for p in pairs], [p.reference for p in pairs])
    )
    return Row(what, ratio, "x", most=most, detail=f"{ours:.1f} s against {theirs:.1f} s")


def _pair(recording: Recording) -> Pair:
    measuring, encoding = _reference(recording)
    job, verdict_s = _job(recording)
    return Pair(job, verdict_s, measuring, encoding)


def _reference(recording: Recording) -> tuple[Spent, Spent]:
    path, made_of_it = made(recording), OUT / "reference.flac"
    measuring = run([*_FFMPEG, path, "-af", "ebur128=peak=true", "-f", "null", "-"])
    encoding = run([*_FFMPEG, path, "-af", "volume=-1.5dB", made_of_it])
    made_of_it.unlink()
    return measuring.spent, encoding.spent


def _job(recording: Recording) -> tuple[Spent, float]:
    """Run one job in a new root; return what it took, and the time from claim to verdict.

    A service starts once and then works for months, so what a start costs is measured with an empty
    inbox and taken off.
    """
    root = _new_root()
    start = _drained(root, 2).spent
    _drop(recording, root)
    done = _drained(root, 2)
    if not list(root.music.rglob("*.flac")):
        message = f"{recording.name} was not filed: {done.errors[-2000:]}"
        raise RuntimeError(message)
    times = {
        line["event"]: datetime.fromisoformat(line["timestamp"])
        for line in map(json.loads, done.errors.splitlines())
    }
    return done.spent.without(start), (times["job.verdict"] - times["job.claimed"]).total_seconds()


def _peak_mb(recording: Recording) -> float:
    """The most that the worker and all it forks take together, in a run of its own."""
    root = _new_root()
    _drop(recording, root)
    return peak_below_mb(_drain(root, 2))


def _drop(recording: Recording, root: Root) -> None:
    shutil.copyfile(made(recording), root.inbox / "A.wav")
    (root.inbox / "A.yaml").write_text(sheet(), encoding="utf-8")


def _drained(root: Root, count: int) -> Done:
    return run(_drain(root, count))


def _drain(root: Root, count: int) -> list[str | Path]:
    settings = OUT / "settings.yaml"
    settings.write_text(f"workers: {count}\n", encoding="utf-8")
    place = ("--settings", settings, "--root", root.path)
    return sidekeep("drain", *place, "--settle", "0s", "--log")


def _new_root() -> Root:
    """A root with nothing in it but the list of fonts, which is made once on every machine."""
    root, kept = Root(OUT / "root"), OUT / "cache"
    cache = root.state / "cache"
    if cache.exists():
        shutil.rmtree(kept, ignore_errors=True)
        cache.rename(kept)
    shutil.rmtree(root.path, ignore_errors=True)
    root.prepare()
    if kept.exists():
        kept.rename(cache)
    return root


def _eight_sides_took_s(workers: int) -> float:
    """How long they take, without the start of the service (see `_job`)."""
    start = _drained(_new_root(), workers).spent
    return _drained(_eight_sides(), workers).spent.without(start).wall_s


def _eight_sides() -> Root:
    """A root with eight sides that differ by where they begin, so that none is a duplicate."""
    words, rate_hz = soundfile.read(made(SHORT), dtype="int16")
    root = _new_root()
    for number in range(_SIDES):
        cut: np.ndarray[tuple[int, int], np.dtype[np.int16]] = words[number * 4096 :]
        path: Path = root.inbox / f"side {number}" / "A.wav"
        path.parent.mkdir()
        soundfile.write(path, cut, rate_hz, "PCM_16")
        path.with_suffix(".yaml").write_text(sheet(), encoding="utf-8")
    return root
