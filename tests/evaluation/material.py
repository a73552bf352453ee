"""Tracks to put on sides: generated ones of ever different material, and real ones if installed."""

from __future__ import annotations

import os
import shutil
import subprocess
from functools import cache
from pathlib import Path

import numpy as np
import soundfile

from composer import Band, Chamber, HardPanned, Loop, Mono, Recorded, Solo, Track

PACKAGES = (
    "wesnoth-1.16-music",
    "singularity-music",
    "marsshooter-data",
    "nexuiz-music",
    "sonic-pi-samples",
)
NOISE_FOLDERS = (
    Path(os.environ.get("SIDEKEEP_NOISE", "/nonexistent")),
    Path(__file__).parents[3] / "shared" / "noise",
)
WORDS = (
    "Ebb",
    "Neap",
    "Spring",
    "Slack",
    "Flood",
    "Race",
    "Bore",
    "Wrack",
    "Spit",
    "Shoal",
    "Eddy",
    "Groyne",
    "Haven",
    "Lee",
    "Swell",
    "Marl",
)


def title(index: int) -> str:
    """An invented title."""
    return f"{WORDS[index % len(WORDS)]} {index // len(WORDS) + 1}"


def produced(rng: np.random.Generator) -> Band | Loop:
    """Material with a centre."""
    if rng.random() < 0.25:
        return Loop(tempo_bpm=float(rng.choice((118, 126, 400 / 3))), key=int(rng.integers(12)))
    return Band(
        tempo_bpm=float(rng.uniform(76, 138)),
        key=int(rng.integers(-5, 7)),
        scale=int(rng.integers(3)),
        brightness=float(rng.uniform(0.15, 0.6)),
    )


def uncentred(index: int, rng: np.random.Generator) -> Chamber | Solo | HardPanned:
    """Material whose mix is meant to be uneven, or has nothing in the middle."""
    key = int(rng.integers(12))
    kinds = (
        Chamber(key=key),
        Solo(key=key, place=float(rng.choice((-0.5, 0.5)))),
        HardPanned(key=key),
        Chamber(key=key, places=(-0.9, -0.6, 0.2, 0.5)),
    )
    return kinds[index % len(kinds)]


def any_music(rng: np.random.Generator) -> Band | Loop | Chamber | Solo | Mono:
    """Material of any kind."""
    draw, key = rng.random(), int(rng.integers(12))
    if draw < 0.6:
        return produced(rng)
    if draw < 0.8:
        return Chamber(key=key)
    if draw < 0.9:
        return Solo(key=key, notes_per_s=4.0, place=float(rng.uniform(-0.4, 0.4)))
    return Mono(produced(rng))


@cache
def real_music() -> tuple[tuple[Path, float], ...]:
    """Music files of at least 70 s from installed packages, with their lengths in seconds."""
    if shutil.which("dpkg") is None:
        return ()
    found: list[tuple[Path, float]] = []
    for package in PACKAGES:
        listed = subprocess.run(
            ["dpkg", "-L", package], capture_output=True, text=True, check=False
        )
        for line in sorted(listed.stdout.splitlines()):
            path = Path(line)
            if path.suffix in {".ogg", ".flac", ".wav"} and path.is_file():
                info = soundfile.info(path)
                if info.duration >= 70 and info.channels == 2:
                    found.append((path, float(info.duration)))
    return tuple(found)


@cache
def real_noise() -> tuple[Path, ...]:
    """Groove recordings, from the folder in SIDEKEEP_NOISE or from `../shared/noise`."""
    for folder in NOISE_FOLDERS:
        if beds := sorted(folder.glob("*.flac")):
            return tuple(beds)
    return ()


def real_track(index: int, rng: np.random.Generator, gap_s: float) -> Track:
    """One real track, whole when it is short, else its first 60 to 100 s faded out."""
    path, length_s = real_music()[index % len(real_music())]
    wanted_s = float(rng.uniform(50, 70))
    whole = length_s <= wanted_s + 20
    return Track(
        path.stem[:40],
        Recorded(path),
        length_s if whole else wanted_s,
        gap_s=gap_s,
        fade_out_s=0.0 if whole else 5.0,
    )
