"""Where the stylus was in the groove and where only groove noise is.

Groove noise, like the hiss of a lifted stylus, is noise: its tonality is that of Gaussian noise or
lower (ticks), which music hardly ever is. Of two kinds of noise in one recording the lower one, at an
end or between two plays, is the lifted stylus.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter, uniform_filter1d

from sidekeep.dsp.slots import Slots

NOISE_TONALITY_DB = np.array([2.2, 2.7, 2.9, 3.05], np.float32)
"""Most that 0.8 s of noise shows per group: measured on Gaussian noise and on four real grooves."""

LIFT_STEP_DB = 2.5
"""Least step between the noise of a lifted stylus and groove noise."""

Vector = NDArray[np.float32]


@dataclass(frozen=True)
class Run:
    """A stretch of steady noise: slots from `start` up to `end`, and its band levels in dB."""

    start: int
    end: int
    level_db: Vector

    @property
    def slots(self) -> int:
        """Length in slots."""
        return self.end - self.start


@dataclass(frozen=True)
class Play:
    """One stretch with the stylus in the groove, in slots, and its runs of groove noise.

    `dropped` and `lifted` say whether the noise of a lifted stylus was seen before and after it.
    """

    start: int
    end: int
    groove: tuple[Run, ...]
    dropped: bool
    lifted: bool


def find_plays(slots: Slots) -> tuple[Play, ...]:
    """Find the stretches with the stylus down, most often one, in order of time.

    Args:
        slots: the recording's slots.

    Returns:
        At least one play; without any noise to go by it spans the recording and has no groove.
    """
    total = len(slots.level_db)
    runs = noise_runs(slots)
    groove = _groove_level(runs, total, slots)
    if groove is None:
        return (Play(0, total, (), dropped=False, lifted=False),)
    reference, lifted = groove
    up = [r for r in lifted if r.start <= 3 or r.end >= total - 4 or r.slots >= slots.count(1.5)]
    plays: list[Play] = []
    edges = [(0, 0, False)] if not up or up[0].start > 3 else []
    edges += [(r.start, r.end, True) for r in up]
    if not up or up[-1].end < total - 4:
        edges.append((total, total, False))
    edges = _joined(edges, slots.count(8.0))
    for (_, start, dropped), (end, _, was_lifted) in itertools.pairwise(edges):
        if end - start < slots.count(2.0):
            continue
        inside = tuple(
            r
            for r in runs
            if start <= r.start and r.end <= end and r not in up and _alike(r.level_db, reference)
        )
        plays.append(Play(start, end, inside, dropped, was_lifted))
    return tuple(plays) or (Play(0, total, (), dropped=False, lifted=False),)


def noise_runs(slots: Slots) -> tuple[Run, ...]:
    """Find steady stretches of at least 0.4 s that are noise by their tonality.

    Args:
        slots: the recording's slots.
    """
    if len(slots.level_db) < 8:
        return ()
    tonality = uniform_filter1d(slots.tonality_db, 7, axis=0, mode="nearest")
    noise = (tonality <= NOISE_TONALITY_DB).all(axis=1)
    smooth = median_filter(slots.level_db[:, : slots.bands], (5, 1), mode="nearest")
    broad = smooth[:, 4:15].mean(axis=1)
    runs: list[Run] = []
    edges = np.flatnonzero(np.diff(np.concatenate(([0], noise.view(np.int8), [0]))))
    for start, end in edges.reshape(-1, 2):
        cut = int(start)
        for part in (*_steps(broad[start:end]), int(end - start)):
            if start + part - cut >= slots.count(0.4):
                piece = slots.level_db[cut : start + part]
                runs.append(Run(cut, int(start + part), np.median(piece, axis=0)))
            cut = int(start + part)
    return tuple(runs)


def _steps(broad: Vector) -> list[int]:
    """Places where the level of a noise stretch steps by more than 2.5 dB within 4 slots."""
    if len(broad) < 6:
        return []
    step = np.abs(broad[4:] - broad[:-4])
    places: list[int] = []
    while len(step) and step.max() > LIFT_STEP_DB:
        at = int(step.argmax())
        places.append(at + 2)
        step[max(0, at - 4) : at + 5] = 0
    return sorted(places)


def _height(a: Vector, b: Vector) -> float:
    """How far noise `a` lies above noise `b`, in dB over the middle's bands above 200 Hz."""
    return float(np.mean((a - b)[4:17]))


def _alike(a: Vector, b: Vector) -> bool:
    """Whether two noises could be one groove's: level within 4 dB, colour within 3 dB rms."""
    difference = (a - b)[4:17]
    mean = float(difference.mean())
    return abs(mean) < 4.0 and float(np.std(difference)) < 3.0


def _groove_level(
    runs: tuple[Run, ...], total: int, slots: Slots
) -> tuple[Vector, tuple[Run, ...]] | None:
    """The groove's band levels, and the runs that lie below them (the lifted stylus).

    The lowest noise away from the ends is the groove's if it returns, if it stands beside a lower one
    (a drop or a lift), or if an end has it too.
    """
    if not runs:
        return None
    head = _end_runs(runs, slots) if runs[0].start <= 3 else ()
    tail = _end_runs(runs[::-1], slots) if runs[-1].end >= total - 4 else ()
    inner = sorted((r for r in runs if r not in head and r not in tail), key=_broad_level)
    for candidate in inner:
        support = [r for r in inner if _alike(r.level_db, candidate.level_db)]
        below = tuple(r for r in runs if _height(r.level_db, candidate.level_db) < -LIFT_STEP_DB)
        if (
            any(_alike(r.level_db, candidate.level_db) for r in (*head, *tail))
            or any(_apart(r, b) <= slots.count(1.3) for b in below for r in support)
            or (len(support) > 1 and sum(r.slots for r in support) >= slots.count(1.0))
        ):
            return candidate.level_db, below
    if head and tail:
        step = _height(head[0].level_db, tail[0].level_db)
        if abs(step) > LIFT_STEP_DB:
            low, high = (head, tail) if step < 0 else (tail, head)
            return high[0].level_db, low
    return ((head or tail)[0].level_db, ()) if head or tail else None


def _end_runs(runs: tuple[Run, ...], slots: Slots) -> tuple[Run, ...]:
    """The run at an end of the recording and those that go on from it unchanged."""
    found = [runs[0]]
    for run in runs[1:]:
        same = abs(_height(run.level_db, found[0].level_db)) < LIFT_STEP_DB
        if not same or _apart(run, found[-1]) > slots.count(0.5):
            break
        found.append(run)
    return tuple(found)


def _apart(a: Run, b: Run) -> int:
    return max(a.start - b.end, b.start - a.end)


def _broad_level(run: Run) -> float:
    return float(run.level_db[4:17].mean())


def _joined(edges: list[tuple[int, int, bool]], nearest: int) -> list[tuple[int, int, bool]]:
    """Join lifted stretches that only a bump of handling separates."""
    joined = edges[:1]
    for edge in edges[1:]:
        last = joined[-1]
        if edge[2] and last[2] and edge[0] - last[1] < nearest:
            joined[-1] = (last[0], edge[1], True)
        else:
            joined.append(edge)
    return joined
