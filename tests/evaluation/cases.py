"""A case: one composed side with its truth, kept on disk, and what is asked about it."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

import composer
from composer import ComposedSide, SideSpec, Truth

OUT = Path(__file__).parent / "out"
COMPOSER = Path(composer.__file__).parent


@dataclass(frozen=True, slots=True)
class Case:
    """One side.

    `asks` names the sheets it is decided with (see `sheets.py`). `centre` says whether the mix has a
    centre that tells the balance; None when nobody knows (real music). `clean` says that nothing is
    wrong with the transfer, so that a verdict other than `good` is a false alarm.
    """

    name: str
    family: str
    spec: SideSpec
    asks: tuple[str, ...] = ("count", "none")
    centre: bool | None = None
    clean: bool = True
    real: bool = False
    bits: int = 24
    rules: str = "default"


def composed(case: Case) -> tuple[Path, Truth]:
    """Compose the side, or take it from an earlier run of the same composer and spec."""
    key = hashlib.sha256(f"{_composer_hash()}{case.spec!r}{case.bits}".encode()).hexdigest()[:12]
    path = OUT / f"{case.name}-{key}.flac"
    truth_path = path.with_suffix(".json")
    if not truth_path.exists():
        for stale in OUT.glob(f"{case.name}-????????????.*"):
            stale.unlink(missing_ok=True)
        side = composer.compose(case.spec)
        part = OUT / f"{case.name}-{os.getpid()}.part"
        write_flac(side, part, case.bits)
        part.rename(path)
        part.write_text(json.dumps(side.truth.to_dict()), encoding="utf-8")
        part.rename(truth_path)
    return path, Truth.from_dict(json.loads(truth_path.read_text(encoding="utf-8")))


def write_flac(side: ComposedSide, path: Path, bits: int) -> None:
    """Write a side as FLAC, fast rather than small."""
    path.parent.mkdir(parents=True, exist_ok=True)
    steps = float(2 ** (bits - 1))
    with soundfile.SoundFile(
        path, "w", side.rate_hz, 2, f"PCM_{bits}", format="FLAC", compression_level=0
    ) as file:
        for start in range(0, side.samples.shape[1], 1 << 18):
            block = np.round(side.samples[:, start : start + (1 << 18)].T * steps)
            words = np.clip(block, -steps, steps - 1).astype(np.int64) * int(2**31 / steps)
            file.write(words.astype(np.int32))


def _composer_hash() -> str:
    digest = hashlib.sha256()
    for source in sorted(COMPOSER.rglob("*.py")):
        digest.update(source.read_bytes())
    return digest.hexdigest()
