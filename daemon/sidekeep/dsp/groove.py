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

NOISE_TONALITY_DB = np.array([2.35, 2.85, 3.0, 3.1], np.float32)
"""Most that 0.8 s of noise shows per group: 0.2 to 0.4 above the 99th percentile
on Gaussian noise and on four real grooves."""

HUM_TONALITY_DB = 3.2
"""Most that the lowest group shows when a harmonic of strong mains hum leans into it, while the
groups above are noise beyond doubt, `SURE_DB` under their limits."""

SURE_DB = 0.4

LIFT_STEP_DB = 2.5
"""Least step between the noise of a lifted stylus and groove noise."""

FAR_DB = 10.0
"""Least step to the noise of both ends, when nothing else says that they are the lifted stylus."""

STEP_DB = 3.0
"""Step of the broad level that parts a stretch of noise in two."""

EDGE = 8
"""Slots from an end of the recording that still count as the end."""

ZONES = (slice(0, 4), slice(4, 10), slice(10, 17))
"""The middle's bands below 200 Hz, up to 1.2 kHz, and above."""

JUMP_DB = 5.0
JUMPS = (0.29, 0.45, 0.45)
"""Share of slots in two seconds at which a zone's level jumps that noise stays under. A drop or a
lift jumps three or four times, a lone drum at nearly every slot, thick crackle at three slots of ten
above 200 Hz."""

BROAD = slice(4, 17)
"""The middle's bands from 200 Hz up."""

Vector = NDArray[np.float32]


@dataclass(frozen=True)
class Run:
    """A stretch of noise: slots from `start` up to `end`, and its band levels in dB.

    `steady` says that its level does not drift.
    """

    start: int
    end: int
    level_db: Vector
    steady: bool = True

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
    reference, lifted = _reference(runs, total, slots)
    if reference is None:
        return (Play(0, total, (), dropped=False, lifted=False),)
    up = [
        r for r in lifted if r.start <= EDGE or r.end >= total - EDGE or r.slots >= slots.count(1.5)
    ]
    edges = [(0, 0, False)] if not up or up[0].start > EDGE else []
    edges += [(r.start, r.end, True) for r in up]
    if not up or up[-1].end < total - EDGE:
        edges.append((total, total, False))
    edges = _joined(edges, slots.count(8.0))
    plays: list[Play] = []
    for (_, start, dropped), (end, _, was_lifted) in itertools.pairwise(edges):
        if end - start < slots.count(2.0):
            continue
        inside = [
            r
            for r in runs
            if start <= r.start and r.end <= end and r not in lifted and _alike(r, reference)
        ]
        plays.append(Play(start, end, _lowest(inside, slots), dropped, was_lifted))
    return tuple(plays) or (Play(0, total, (), dropped=False, lifted=False),)


def noise_runs(slots: Slots) -> tuple[Run, ...]:
    """Find stretches of at least 0.4 s that are noise by their tonality, parted where they step.

    Args:
        slots: the recording's slots.
    """
    if len(slots.level_db) < 8:
        return ()
    tonality = uniform_filter1d(slots.tonality_db, 7, axis=0, mode="nearest")
    noise = (tonality <= NOISE_TONALITY_DB).all(axis=1)
    sure = (tonality[:, 1:] <= NOISE_TONALITY_DB[1:] - SURE_DB).all(axis=1)
    noise |= sure & (tonality[:, 0] <= HUM_TONALITY_DB)
    noise &= _is_smooth(slots)
    smooth = median_filter(slots.level_db[:, : slots.bands], (5, 1), mode="nearest")
    broad = smooth[:, BROAD].mean(axis=1)
    runs: list[Run] = []
    edges = np.flatnonzero(np.diff(np.concatenate(([0], noise.view(np.int8), [0]))))
    for start, end in edges.reshape(-1, 2):
        cut = int(start)
        for part in (*_steps(broad[start:end], slots.count(0.8)), int(end - start)):
            if start + part - cut >= slots.count(0.4):
                runs.append(_run(slots, broad, cut, int(start + part)))
            cut = int(start + part)
    return tuple(runs)


def _is_smooth(slots: Slots) -> NDArray[np.bool_]:
    """Where the level does not jump up and down from slot to slot, as it does under drums."""
    smooth = np.ones(len(slots.level_db), np.bool_)
    for zone, most in zip(ZONES, JUMPS, strict=True):
        level = slots.level_db[:, zone].mean(axis=1)
        jumps = (np.abs(np.diff(level, append=level[-1:])) > JUMP_DB).astype(np.float32)
        smooth &= uniform_filter1d(jumps, 19, mode="nearest") < most
    return smooth


def _run(slots: Slots, broad: Vector, start: int, end: int) -> Run:
    third = max(1, (end - start) // 3)
    drift = np.median(broad[start : start + third]) - np.median(broad[end - third : end])
    return Run(
        start,
        end,
        np.median(slots.level_db[start:end], axis=0),
        bool(abs(drift) < 2.0),
    )


def _steps(broad: Vector, window: int) -> list[int]:
    """Places where the level of a noise stretch steps for good, not only for half a turn."""
    places: list[int] = []
    step = np.zeros(len(broad))
    for at in range(4, len(broad) - 3):
        before, after = broad[max(0, at - window) : at], broad[at : at + window]
        step[at] = abs(np.median(before) - np.median(after))
    while len(step) and step.max() > STEP_DB:
        at = int(step.argmax())
        places.append(at)
        step[max(0, at - 4) : at + 5] = 0
    return sorted(places)


def _height(a: Run, b: Run) -> float:
    """How far noise `a` lies above noise `b`, in dB over the middle's bands from 200 Hz."""
    return float(np.mean((a.level_db - b.level_db)[BROAD]))


def _alike(a: Run, b: Run) -> bool:
    """Whether two noises could be one groove's: level within 4 dB, colour within 3 dB rms."""
    difference = (a.level_db - b.level_db)[BROAD]
    return abs(float(difference.mean())) < 4.0 and float(np.std(difference)) < 3.0


def _reference(
    runs: tuple[Run, ...], total: int, slots: Slots
) -> tuple[Run | None, tuple[Run, ...]]:
    """A run that is surely groove noise, and the runs that lie below it (the lifted stylus).

    The lowest noise away from the ends is the groove's if an end has it too, if it stands beside a
    lower one (a drop or a lift), if it returns, or if both ends lie far below it.
    """
    head = _end_runs(runs, slots) if runs and runs[0].start <= EDGE else ()
    tail = _end_runs(runs[::-1], slots) if runs and runs[-1].end >= total - EDGE else ()
    ends = [one[0] for one in (head, tail) if one]
    inner = sorted((r for r in runs if r not in head and r not in tail), key=_broad_level)
    if (found := _twice_beside(runs, ends, slots)) is not None:
        return found, _below(runs, found)
    for candidate in inner:
        for end in ends:
            if _alike(candidate, end) and _apart(candidate, end) >= slots.count(3.0):
                return end, _below(runs, min(candidate, end, key=_broad_level))
        if not candidate.steady or candidate.slots < slots.count(0.7):
            continue
        below = _below(runs, candidate)
        lifted = [b for b in below if b in ends or (b.steady and b.slots >= slots.count(1.5))]
        support = [r for r in inner if _alike(r, candidate) and r.steady]
        beside = any(_apart(r, b) <= slots.count(1.3) for b in lifted for r in support)
        returns = any(_returns(candidate, r, slots) for r in support)
        between = candidate.slots >= slots.count(1.5) and _far_below(ends, candidate)
        if (beside or returns or between) and _is_floor(candidate, lifted, slots):
            return candidate, below
    if len(ends) == 2:
        low, high = sorted(ends, key=_broad_level)
        if _height(high, low) > LIFT_STEP_DB:
            return high, head if low is head[0] else tail
    return (ends[0], ()) if ends else (None, ())


def _far_below(ends: list[Run], groove: Run) -> bool:
    """Whether the recording begins and ends with one and the same noise, far below this one."""
    return len(ends) == 2 and _alike(*ends) and all(_height(groove, e) > FAR_DB for e in ends)


def _is_floor(groove: Run, lifted: list[Run], slots: Slots) -> bool:
    """Whether the level stays on or above this noise wherever the stylus is not lifted."""
    broad = median_filter(slots.level_db[:, BROAD].mean(axis=1), 9, mode="nearest")
    under = broad < _broad_level(groove) - STEP_DB
    reach = slots.count(1.3)
    for run in lifted:
        under[max(0, run.start - reach) : run.end + reach] = False
    return float(under.sum()) < max(3.0, 0.001 * len(under))


def _returns(a: Run, b: Run, slots: Slots) -> bool:
    """Whether the same noise comes again after at least ten seconds."""
    colour = float(np.std((a.level_db - b.level_db)[BROAD]))
    same = abs(_height(a, b)) < 2.0 and colour < 2.5
    return same and _apart(a, b) >= slots.count(10.0)


def _twice_beside(runs: tuple[Run, ...], ends: list[Run], slots: Slots) -> Run | None:
    """A noise that stands directly beside a lower one at two places: after a drop, before a lift."""
    low = [r for r in runs if r in ends or (r.steady and r.slots >= slots.count(1.5))]
    witnesses = [
        (r, b)
        for r in runs
        if r.steady and r.slots >= slots.count(0.7)
        for b in low
        if _apart(r, b) <= slots.count(1.3) and _height(r, b) > LIFT_STEP_DB
    ]
    for (one, under_one), (other, under_other) in itertools.combinations(witnesses, 2):
        if one is other or not _returns(one, other, slots):
            continue
        if _is_floor(one, [under_one, under_other, *_below(tuple(low), one)], slots):
            return one
    return None


def _below(runs: tuple[Run, ...], groove: Run) -> tuple[Run, ...]:
    return tuple(r for r in runs if _height(r, groove) < -LIFT_STEP_DB)


def _end_runs(runs: tuple[Run, ...], slots: Slots) -> tuple[Run, ...]:
    """The run at an end of the recording and those that go on from it unchanged."""
    found = [runs[0]]
    for run in runs[1:]:
        same = abs(_height(run, found[0])) < LIFT_STEP_DB
        if not same or _apart(run, found[-1]) > slots.count(0.5):
            break
        found.append(run)
    return tuple(found)


def _lowest(runs: list[Run], slots: Slots) -> tuple[Run, ...]:
    """The runs in pieces of a second, without those that soft music lifts above their neighbours.

    Neighbours are the pieces within two minutes; how much groove noise varies by itself is taken
    from the difference between one piece and the next.
    """
    pieces: list[Run] = []
    steps: list[float] = []
    for run in [r for r in runs if r.steady] or runs:
        parts = _pieces(run, slots)
        steps += [_height(x, y) for x, y in itertools.pairwise(parts)]
        pieces += parts
    if not pieces:
        return ()
    variation = 1.05 * float(np.median(np.abs(steps or [1.0])))
    levels = np.stack([piece.level_db[BROAD] for piece in pieces])
    broad = levels.mean(axis=1)
    weight = np.array([piece.slots for piece in pieces], np.float64)
    centre_s = np.array([(r.start + r.end) / 2 for r in pieces]) * slots.seconds
    kept = []
    for place, piece in enumerate(pieces):
        near = np.abs(centre_s - centre_s[place]) < 120
        base = _quantile(broad[near], weight[near], 0.15)
        if broad[place] <= base + 0.8 + 2.5 * variation:
            kept.append(piece)
    return tuple(kept)


def _pieces(run: Run, slots: Slots) -> list[Run]:
    count = max(1, run.slots // slots.count(1.0))
    edges = np.linspace(run.start, run.end, count + 1).astype(int)
    return [
        Run(int(a), int(b), np.median(slots.level_db[a:b], axis=0))
        for a, b in itertools.pairwise(edges)
    ]


def _quantile(values: Vector, weights: NDArray[np.float64], share: float) -> float:
    order = np.argsort(values)
    running = np.cumsum(weights[order]) / weights.sum()
    return float(values[order][np.searchsorted(running, share)])


def _apart(a: Run, b: Run) -> int:
    return max(a.start - b.end, b.start - a.end)


def _broad_level(run: Run) -> float:
    return float(run.level_db[BROAD].mean())


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
