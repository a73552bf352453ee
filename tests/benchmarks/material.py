"""The recordings that are measured: a composed side, lengthened by repeating the inside of its tracks."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from composer import Band, Chamber, Groove, SideSpec, Track, compose, sheet_text

OUT = Path(__file__).parent / "out"

_TRACK_S = 60.0
_EDGE_S = 12.0  # of a track's start and end that is heard once
_SEAM_S = 0.4

TRACKS = (
    Track("Slack Water", Band(92, key=2, scale=1), _TRACK_S, gap_s=2.6, fade_out_s=5),
    Track("Ebb", Chamber(key=7), _TRACK_S, gap_s=2.2, fade_in_s=1.5, fade_out_s=3),
    Track("The Harbour Master's Daughter", Band(118, key=-3), _TRACK_S, fade_out_s=1),
    Track("Neap", Band(84, key=5, scale=2), _TRACK_S, gap_s=3.1, fade_out_s=2),
    Track("Spring", Band(126, key=4, scale=2, brightness=0.5), _TRACK_S, fade_out_s=9),
)


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording to be measured: a stereo side of five tracks."""

    name: str
    rate_hz: int
    bits: int
    length_s: float

    @property
    def path(self) -> Path:
        """Where it is kept."""
        return OUT / f"{self.name}.wav"

    @property
    def bytes(self) -> int:
        """Its size, headers left out."""
        return round(self.length_s * self.rate_hz) * 2 * self.bits // 8


OF_RECORD = Recording("20 min 96 kHz 24 bit", 96_000, 24, 1200.0)
OTHERS = (
    Recording("20 min 44.1 kHz 16 bit", 44_100, 16, 1200.0),
    Recording("20 min 192 kHz 24 bit", 192_000, 24, 1200.0),
)
LONG = Recording("2 h 96 kHz 24 bit", 96_000, 24, 7200.0)
SHORT = Recording("5 min 44.1 kHz 16 bit", 44_100, 16, 330.0)


def made(recording: Recording) -> Path:
    """Compose the recording, or take it from an earlier run."""
    path = recording.path
    if not path.exists():
        OUT.mkdir(parents=True, exist_ok=True)
        part = path.with_suffix(".part")
        _write(recording, part)
        part.rename(path)
    return path


def sheet() -> str:
    """The side's sheet: titles, and no lengths, so that the sound alone decides the cuts."""
    return sheet_text(
        artist="Marlow and the Tide Tables",
        title="Low Water",
        label="Saltmarsh Audio",
        catalogue="SMA 014",
        year=1987,
        rpm=33,
        sides={"A": [(track.title, None) for track in TRACKS]},
    )


def _write(recording: Recording, path: Path) -> None:
    """Write piece after piece, so that two hours need no more memory than the composed side."""
    words, spans = _composed(recording.rate_hz, recording.bits)
    frames = round(recording.length_s * recording.rate_hz)
    seam = round(_SEAM_S * recording.rate_hz)
    whole = len(words) / recording.rate_hz
    loops = [_inside(span, recording.rate_hz) for span in spans]
    loop = loops[0][1] - loops[0][0]
    missing = max(0, frames - round(whole * recording.rate_hz))
    times = -(-missing // (loop * len(loops)))
    kept = -(-missing // (times * len(loops))) if times else 0
    with soundfile.SoundFile(
        path, "w", recording.rate_hz, 2, f"PCM_{recording.bits}", format="WAV"
    ) as file:
        for piece in _pieces(words, loops, times, kept, seam):
            file.write(piece[: frames - file.tell()])


def _pieces(
    words: NDArray[np.int32], loops: list[tuple[int, int]], times: int, kept: int, seam: int
) -> Iterator[NDArray[np.int32]]:
    """Give the side with the last `kept` frames of every loop repeated, joined by short cross-fades."""
    ends = [0, *(end for _, end in loops)]
    for before, end in pairwise(ends):
        yield words[before : end - seam]
        again = words[end - kept : end - seam]
        rise = np.linspace(0, 1, seam)[:, np.newaxis]
        outgoing, incoming = words[end - seam : end], words[end - kept - seam : end - kept]
        joint = np.rint(outgoing * (1 - rise) + incoming * rise).astype(np.int32)
        for _ in range(times):
            yield joint
            yield again
        yield words[end - seam : end]
    yield words[ends[-1] :]


def _inside(span: tuple[float, float], rate_hz: int) -> tuple[int, int]:
    start_s, end_s = span
    return round((start_s + _EDGE_S) * rate_hz), round((end_s - _EDGE_S) * rate_hz)


def _composed(rate_hz: int, bits: int) -> tuple[NDArray[np.int32], list[tuple[float, float]]]:
    """The side as int32 words (frames, channels) with the word at the top, and its tracks' spans."""
    seed = OUT / f"seed-{rate_hz}-{bits}.npy"
    facts = seed.with_suffix(".json")
    if not facts.exists():
        side = compose(
            SideSpec(TRACKS, seed=20, rate_hz=rate_hz, groove=Groove(-63, crackle_per_s=1.5))
        )
        steps = 2.0 ** (bits - 1)
        words = np.clip(np.rint(side.samples.T * steps), -steps, steps - 1).astype(np.int32)
        np.save(seed, words << np.int32(32 - bits))
        spans = [(track.start_s, track.end_s) for track in side.truth.tracks]
        facts.write_text(json.dumps(spans), encoding="utf-8")
    spans = [(start, end) for start, end in json.loads(facts.read_text(encoding="utf-8"))]
    return np.load(seed, mmap_mode="r"), spans
