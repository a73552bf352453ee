"""Writes a composed side as a recorder would: quantised, in WAV or FLAC; and its sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import soundfile

from composer.side import ComposedSide

SUBTYPES = {16: "PCM_16", 24: "PCM_24"}


def write(
    side: ComposedSide, path: Path, *, bits: int = 24, content_bits: int | None = None
) -> None:
    """Write the samples; what exceeds full scale is clipped, as a converter does.

    Args:
        side: the side.
        path: where to; `.wav`, `.flac` and whatever else the suffix names.
        bits: word length of the file, 16 or 24.
        content_bits: word length of the converter, when it is shorter than the file's.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    steps = float(2 ** ((content_bits or bits) - 1))
    with soundfile.SoundFile(
        path, "w", side.rate_hz, side.samples.shape[0], SUBTYPES[bits]
    ) as file:
        for start in range(0, side.samples.shape[1], 1 << 18):
            block = np.round(side.samples[:, start : start + (1 << 18)].T * steps)
            words = np.clip(block, -steps, steps - 1).astype(np.int64) * int(2**31 / steps)
            file.write(words.astype(np.int32))


def sheet_text(
    *,
    artist: str,
    title: str,
    sides: Mapping[str, Sequence[tuple[str, float | None]]],
    **more: str | float,
) -> str:
    """Give a sheet in YAML; every track is a title with its length in seconds, or None for none."""
    lines = [f"artist: {_quoted(artist)}", f"title: {_quoted(title)}"]
    lines += [
        f"{key}: {_quoted(str(value))}" if isinstance(value, str) else f"{key}: {value:g}"
        for key, value in more.items()
    ]
    lines.append("sides:")
    for label, tracks in sides.items():
        lines += [f"  {label}:", "    tracks:"]
        for name, length_s in tracks:
            if length_s is None:
                lines.append(f"      - {_quoted(name)}")
            else:
                minutes, seconds = divmod(round(length_s), 60)
                written = f'"{minutes}:{seconds:02d}"'
                lines.append(f"      - {{title: {_quoted(name)}, length: {written}}}")
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
