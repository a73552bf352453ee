"""Delivered files measured again: whole jobs, every format, by an independent meter."""

from __future__ import annotations

import tempfile
from collections import defaultdict
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyebur128
import soundfile

from acts_rig import Bench, rules, sheet
from composer import Band, Chamber, ComposedSide, Loop, SideSpec, Track, compose
from composer.noise import Samples
from evaluation.meters import true_peak_db
from sidekeep.storage.order import write_order

LOSSY = frozenset({"mp3", "ogg", "opus"})
COPIES = """
deliver:
  - {format: flac, bits: 24}
  - {format: flac, bits: 16, rate: 48 kHz}
  - {format: aiff, bits: 16, rate: 44.1 kHz}
  - {format: wav, bits: 24, rate: 44.1 kHz}
  - {format: mp3, quality: 8, rate: 44.1 kHz}
  - {format: ogg, quality: 6}
  - {format: opus, quality: 7}
"""
LEVELS = {
    "peak, per side": ("level: {peak: -0.3 dBTP, per: side}", -0.3, None),
    "peak, per track": ("level: {peak: -1 dBTP, per: track}", -1.0, None),
    "loudness, per side": ("level: {loudness: -23 LUFS, ceiling: -1 dBTP, per: side}", -1.0, -23.0),
    "loudness, per track": (
        "level: {loudness: -23 LUFS, ceiling: -1 dBTP, per: track}",
        -1.0,
        -23.0,
    ),
}


@dataclass(frozen=True, slots=True)
class Measured:
    """One folder of one side: what was aimed at and what came out, per side or per track.

    `peaks_dbtp` and `loudness_lufs` are the values that the level rules: one for the whole side, or
    one per track.
    """

    side: str
    level: str
    copy: str
    target_dbtp: float
    target_lufs: float | None
    peaks_dbtp: tuple[float, ...]
    loudness_lufs: tuple[float, ...]

    @property
    def passed(self) -> bool:
        """Whether the figures hold: peaks, and loudness where it rules and no peak was in its way."""
        if self.copy.split()[0] in LOSSY:
            return max(self.peaks_dbtp) <= self.target_dbtp + 0.005
        if max(self.peaks_dbtp) > self.target_dbtp + 0.05:
            return False
        if self.target_lufs is None:
            return min(self.peaks_dbtp) >= self.target_dbtp - 0.1
        return all(
            abs(lufs - self.target_lufs) <= 0.05 or abs(peak - self.target_dbtp) <= 0.1
            for lufs, peak in zip(self.loudness_lufs, self.peaks_dbtp, strict=True)
        )


def run() -> list[Measured]:
    """Do the jobs and measure what they staged."""
    return [
        one
        for name, side in _sides().items()
        for level in LEVELS
        for one in _job(name, side, level)
    ]


def _sides() -> dict[str, ComposedSide]:
    specs = {
        "44.1 kHz": SideSpec(
            (Track("One", Band(), 46, gap_s=2), Track("Two", Chamber(), 44, gain_db=-8)), seed=3
        ),
        "96 kHz": SideSpec(
            (Track("One", Loop(), 45, gap_s=2), Track("Two", Band(key=4), 45, fade_out_s=3)),
            seed=4,
            rate_hz=96_000,
            peak_dbfs=-9,
        ),
    }
    return {name: compose(spec) for name, spec in specs.items()}


def _job(name: str, side: ComposedSide, level: str) -> list[Measured]:
    text, target_dbtp, target_lufs = LEVELS[level]
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder) / "root", side, sheet("One", "Two"))
        written = f"extends: default\n{text}\nverdict: {{hold on: never}}\n{COPIES}"
        write_order(bench.folder, replace(bench.order, rules="delivered"))
        result = bench.run(rules(Path(folder) / "rules", delivered=written))
        if result.outcome != "staged":
            raise RuntimeError(f"{name}, {level}: {result.outcome}: {result.message}")
        copies: dict[str, list[Path]] = defaultdict(list)
        for path in sorted(bench.root.archive.rglob("*")):
            if path.is_file() and "music" in path.parts:
                kind = path.suffix.removeprefix(".")
                copies[f"{kind} {path.parent.name.partition('[')[2].rstrip(']')}"].append(path)
        return [
            _measure(name, level, copy, paths, (target_dbtp, target_lufs))
            for copy, paths in copies.items()
        ]


def _measure(
    side: str, level: str, copy: str, paths: list[Path], target: tuple[float, float | None]
) -> Measured:
    read = [soundfile.read(path, always_2d=True) for path in paths]
    sounds = [np.ascontiguousarray(frames.T) for frames, _ in read]
    rate_hz = int(read[0][1])
    if level.endswith("per side"):
        sounds = [np.concatenate(sounds, axis=1)]
    return Measured(
        side,
        level,
        copy,
        *target,
        peaks_dbtp=tuple(true_peak_db(sound, rate_hz) for sound in sounds),
        loudness_lufs=tuple(_lufs(sound, rate_hz) for sound in sounds),
    )


def _lufs(sound: Samples, rate_hz: int) -> float:
    state = pyebur128.R128State(2, rate_hz, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(sound.T).ravel(), sound.shape[1])
    return float(pyebur128.get_loudness_global(state))


def show(found: list[Measured]) -> str:
    """Give one line per side, level and copy."""
    lines = [f"{'side':10}{'level':22}{'copy':18}{'peaks, dBTP':26}{'loudness, LUFS':22}"]
    for one in found:
        peaks = " ".join(f"{peak:.3f}" for peak in one.peaks_dbtp)
        loud = " ".join(f"{lufs:.3f}" for lufs in one.loudness_lufs)
        good = "" if one.passed else "OUTSIDE"
        lines.append(f"{one.side:10}{one.level:22}{one.copy:18}{peaks:26}{loud:22}{good}".rstrip())
    lines.append(f"{sum(one.passed for one in found)} of {len(found)} within the figures")
    return "\n".join(lines)
