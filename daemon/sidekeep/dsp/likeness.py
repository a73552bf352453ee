"""Whether the music goes on after a gap or other music begins: one track's silence or two tracks.

What lies before a gap is compared with what lies after it: the notes, the tempo, the place in the
stereo image. How much two passages of one music differ, the music itself tells: one half of a
passage against its other half. A beat that goes on in time across the gap, and an end that does not
die away or an entry that is no entry, speak for one track; so does a gap of less than a second.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.harmony import note_likeness, own_note_likeness
from sidekeep.dsp.presence import Presence
from sidekeep.dsp.rhythm import beat_likeness, onsets, own_tempo_likeness, tempo_likeness
from sidekeep.dsp.slots import CELLS, Slots

WIDTH, NOTES, TEMPO, BEAT, ENTRY, ENDING, LENGTH = 1.23, 49.0, 4.2, -5.6, 0.2, 0.127, 4.15
BIAS = -9.65
"""Logistic weights, fitted on 2300 gaps and silences of 800 sides composed from a hundred pieces of
real music and from generated music, each checked on sides it was not fitted on. Silences inside
tracks were nearly as many as gaps, so that the odds lean toward doubt."""

BLOCK_S = 3.0
"""Pieces of a passage whose differences say how much its sound varies by itself."""

OWN_WIDTH_DB, OWN_BLOCKS = 1.0, 4
"""A passage of few pieces is taken to vary like this, as if so many more pieces said so."""

UNKNOWN = (0.1, 0.1)
"""Tempo and beat where a passage is too short to tell: what speaks neither for nor against."""

Floats = NDArray[np.float32]


@dataclass(frozen=True)
class Cells:
    """The tables in their own resolution: `CELLS` cells to a slot, `seconds` each.

    `level` (cells, bands): half decibels of the middle; `tone_hz` (cells, tones): partials.
    """

    level: NDArray[np.uint8]
    tone_hz: NDArray[np.float32]
    seconds: float


@dataclass(frozen=True)
class Likeness:
    """How the music before and after a gap differs, each figure beyond how it differs by itself.

    `width` is the rms difference of the difference-to-middle ratio over the bands, in its own
    spreads. `notes` (0 to 1) and `tempo` (-1 to 1) are how much less alike the two sides are than
    each side's halves. `beat` (0 to 1) is how well the beat goes on in time. `before_db` and
    `after_db` are how far the last and first quarter second stand out of the groove noise; `odds`
    is the logarithm of the odds that another track begins.
    """

    width: float
    notes: float
    tempo: float
    beat: float
    before_db: float
    after_db: float
    odds: float


def compare(
    slots: Slots,
    cells: Cells,
    presence: Presence,
    before: tuple[int, int],
    after: tuple[int, int],
) -> Likeness:
    """Compare the music on both sides of a gap.

    Args:
        slots: the recording's slots.
        cells: the same in cells.
        presence: what stands above the groove noise.
        before: first slot of the passage before the gap, and the gap's first.
        after: first slot after the gap, and the one after the passage.
    """
    width = _width(slots, presence, before, after)
    notes, tempo, beat = _notes(cells, before, after), *_rhythm(cells, before, after)
    before_db = _edge_db(presence, before, slots.count(0.25), ends=True)
    after_db = _edge_db(presence, after, slots.count(0.25), ends=False)
    length_s = (after[0] - before[1]) * slots.seconds
    odds = (
        WIDTH * min(width, 3.5)
        + NOTES * float(np.clip(notes, -0.05, 0.1))
        + TEMPO * float(np.clip(tempo, -0.3, 0.8))
        + BEAT * beat
        + ENTRY * float(np.clip(after_db - 10, 0, 25))
        + ENDING * float(np.clip(30 - before_db, 0, 25))
        + LENGTH * float(np.log(np.clip(length_s, 0.6, 3.0)))
        + BIAS
    )
    return Likeness(width, notes, tempo, beat, before_db, after_db, odds)


def _edge_db(presence: Presence, passage: tuple[int, int], edge: int, *, ends: bool) -> float:
    """How far a passage stands out where it is last, or first, surely heard."""
    span = slice(passage[0] - presence.start, passage[1] - presence.start)
    order = slice(None, None, -1) if ends else slice(None)
    heard = presence.present[span][order]
    first = int(heard.argmax()) if heard.any() else 0
    return float(presence.excess_db[span][order][first : first + edge].max(initial=0))


def _width(
    slots: Slots, presence: Presence, before: tuple[int, int], after: tuple[int, int]
) -> float:
    """Rms difference of the stereo image; of the colour where there is one channel only."""
    pieces = [_profiles(slots, presence, *span) for span in (before, after)]
    middles = [np.median(part, axis=0) for part in pieces]
    own = np.concatenate([part - middle for part, middle in zip(pieces, middles, strict=True)])
    count = OWN_BLOCKS + max(len(own) - 2, 1)
    variance = ((own**2).sum(axis=0) + OWN_BLOCKS * OWN_WIDTH_DB**2) / count
    reduced = np.clip((middles[0] - middles[1]) / np.sqrt(variance), -5, 5)
    return float(np.sqrt(np.mean(reduced**2)))


def _profiles(slots: Slots, presence: Presence, start: int, end: int) -> Floats:
    """Difference-to-middle ratio per band in pieces of a passage, in dB."""
    count = max(2, round((end - start) * slots.seconds / BLOCK_S))
    edges = np.linspace(start, end, count + 1).astype(int)
    profiles = []
    for a, b in itertools.pairwise(edges):
        if b == a:
            continue
        part = slots.level_db[a:b]
        sounding = presence.present[a - presence.start : b - presence.start]
        profile = np.percentile(part[sounding] if sounding.sum() >= 4 else part, 75, axis=0)
        middle, rest = profile[: slots.bands], profile[slots.bands :]
        profiles.append((rest - middle)[2:] if rest.size else middle - middle.mean())
    stacked: Floats = np.stack(profiles).astype(np.float32)
    return stacked


def _notes(cells: Cells, before: tuple[int, int], after: tuple[int, int]) -> float:
    """How much less alike the notes are than within the passages."""
    first, second = (cells.tone_hz[a * CELLS : b * CELLS] for a, b in (before, after))
    alike = note_likeness(first, second)
    own = [one for part in (first, second) if (one := own_note_likeness(part)) is not None]
    return 0.0 if alike is None or not own else float(np.mean(own)) - alike


def _rhythm(cells: Cells, before: tuple[int, int], after: tuple[int, int]) -> tuple[float, float]:
    """How much less alike the tempo is than within the passages, and how the beat goes on."""
    first, second = (onsets(cells.level[a * CELLS : b * CELLS, 2:16]) for a, b in (before, after))
    alike = tempo_likeness(first, second, cells.seconds)
    own = [own_tempo_likeness(part, cells.seconds) for part in (first, second)]
    if alike is None or own[0] is None or own[1] is None:
        return UNKNOWN
    silence = (after[0] - before[1]) * CELLS
    beat = beat_likeness(first, second, silence, cells.seconds)
    return (own[0] + own[1]) / 2 - alike, UNKNOWN[1] if beat is None else max(beat, 0.0)
