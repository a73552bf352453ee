"""Where the centre of a mix lies: the level ratio that bands, places and sources agree on.

A single instrument off-centre makes a narrow mode too, but only in its own bands; a centre (bass,
drums, voice) shows in all of them. So each band's histogram is brought to the same height, and their
sum says at which ratio the bands agree. The thresholds were found on recorded music and composed
sides; no standard speaks of them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from sidekeep.dsp.gathering import let_go
from sidekeep.dsp.image import BANDS, RATIOS_DB, STEP_DB, ImageTable

Curve = NDArray[np.float64]

BAND_WEIGHTS = np.array([2.0, 1.5, 1.0, 1.0, 1.0, 0.5])
"""Say of each band: low frequencies are close to mono in a cut, the highest carry most noise."""

LOW_BANDS = 3
"""How many of the lowest bands, up to 1.2 kHz, may speak without the others where all are sharp."""

TRUSTED = 0.5
"""Evidence from which a centre is to be trusted."""

ONE_PLACE = 0.9
"""Share of all in-phase sound in one place from which it may be a single source."""

MOST_DB = 6.0
"""Largest ratio at which a centre is looked for; pickups differ by 2 dB at most (DIN 45500)."""

_NARROW_DB, _BROAD_DB, _GROUND_DB = 0.2, 0.5, 1.0
_SHARP = 1.6
_VERY_SHARP = 2.0
_HIGH = 0.9
_NEARLY_MONO = 0.9
_FAINT = 0.03
_GROUPS = 15
_PART = 4  # stretches that are a part of the side
_NEAR_DB = 0.5


@dataclass(frozen=True, slots=True)
class Centre:
    """What speaks for a centre.

    Attributes:
        ratio_db: left above right where the bands agree.
        agreement: mean height of the bands' modes there, 0 to 1; 1 when every band peaks there.
        spread_db: standard error of the ratio, from halves of the stretches.
        likeness: how alike the channels are there, the median over bands, -1 to 1.
        alone: share of all in-phase sound that lies within half a decibel of the ratio.
        bands: how many bands were asked, from the lowest up.
    """

    ratio_db: float
    agreement: float
    spread_db: float
    likeness: float
    alone: float
    bands: int

    @property
    def low_only(self) -> bool:
        """Whether only the lowest bands speak for it."""
        return self.bands < BANDS

    @property
    def evidence(self) -> float:
        """How sure the ratio is that of a centre, 0 to 1; see `TRUSTED`."""
        agreed = (self.agreement - 0.7) / 0.3
        steady = 1 - self.spread_db / 0.3
        alike = self.likeness / 0.4
        return float(np.clip(min(agreed, steady, alike), 0, 1))


def find_centre(table: ImageTable, start: int, end: int) -> Centre | None:
    """Find the ratio that the bands agree on in a span of frames.

    Returns:
        The first answer to be trusted: of all bands together, of the lowest ones where all of them
        are sharp, of the very lowest where it is sharp and nearly mono; else the best founded.
        None where too little is in phase, or for too short.
    """
    chosen = _Chosen.of(table, start, end)
    whole = _best(chosen)
    among_many = chosen.among_many()
    if whole is None or among_many.all():
        return whole
    many = _best(replace(chosen, stretches=chosen.stretches[among_many]))
    return whole if many is None or many.evidence < TRUSTED else many


def agreement_curve(table: ImageTable, start: int, end: int) -> Curve:
    """Give how far the bands agree on each of `RATIOS_DB` in a span, 0 to 1; for a picture."""
    groups, _ = _Chosen.of(table, start, end).groups()
    return _agreement(groups.sum(axis=0), BANDS, _NARROW_DB)


def groove_balance_db(table: ImageTable, spans: tuple[tuple[int, int], ...]) -> float | None:
    """Give left above right of the noise in spans of pure groove; None with less than a second.

    The median over slices of about 0.35 s, so that single ticks do not count.
    """
    length = table.slice_frames
    ratios = []
    for start, end in spans:
        inside = table.slices[:, -(-start // length) : max(0, end // length)]
        inside = inside[:, (inside > 0).all(axis=0)]
        ratios.append(10 * np.log10(inside[0] / inside[1]))
    every = np.concatenate(ratios) if ratios else np.zeros(0)
    return float(np.median(every)) if len(every) >= 3 else None


@dataclass(frozen=True)
class _Chosen:
    """Some stretches of a table, by their index, and which bands are not faint in each stretch."""

    table: ImageTable
    stretches: NDArray[np.intp]
    heard: NDArray[np.bool_]

    @classmethod
    def of(cls, table: ImageTable, start: int, end: int) -> _Chosen:
        """The stretches that lie mostly in a span of frames."""
        centres = (np.arange(len(table.weights)) + 0.5) * table.stretch_frames
        inside = np.flatnonzero((centres >= start) & (centres < end))
        heard = np.zeros((len(centres), BANDS), np.bool_)
        if inside.size:
            power = table.powers[inside, :, :2].sum(axis=2, dtype=np.float64)
            heard[inside] = power > _FAINT * power.mean(axis=0)
        return cls(table, inside, heard)

    def powers(self) -> NDArray[np.float64]:
        """Left, right and shared power of the bands, (bands, 3)."""
        powers = self.table.powers[self.stretches] * self.heard[self.stretches, :, np.newaxis]
        return np.asarray(powers.sum(axis=0, dtype=np.float64))

    def weights(self) -> Iterator[NDArray[np.float64]]:
        """The histograms of each part of the side in turn, (stretches, bands, ratios)."""
        for first in range(0, len(self.stretches), _PART):
            part = self.stretches[first : first + _PART]
            yield self.table.weights[part].astype(np.float64) * self.heard[part, :, np.newaxis]
            let_go(self.table.weights)

    def groups(self) -> tuple[NDArray[np.float64], int]:
        """Sums of the histograms of every so many stretches, (groups, bands, ratios).

        The second value is how many stretches have any weight.
        """
        sums = np.zeros((_GROUPS, BANDS, len(RATIOS_DB)))
        count = used = 0
        for part in self.weights():
            for each in part:
                sums[count % _GROUPS] += each
                count += 1
                used += bool(each.any())
        return sums, used

    def among_many(self) -> NDArray[np.bool_]:
        """The stretches of those parts of the side whose sound comes from more than one place.

        A piece for one instrument says where that one stands, and says it louder than a band its
        centre.
        """
        many = [np.zeros(0, np.bool_)]
        for part in self.weights():
            whole = part.sum(axis=0)
            at_db = _peak(_agreement(whole, BANDS, _NARROW_DB))
            several = not whole.any() or _alone(whole, at_db) < ONE_PLACE
            many.append(np.full(len(part), several))
        return np.concatenate(many)


def _best(chosen: _Chosen) -> Centre | None:
    groups, used = chosen.groups()
    whole = groups.sum(axis=0)
    if used < 3 or not whole.any(axis=1).all():
        return None
    left, right, shared = chosen.powers().T
    likeness = shared / np.sqrt(np.maximum(left * right, 1e-30))
    answers = [_judge(groups, likeness, bands) for bands in (BANDS, LOW_BANDS, 1)]
    founded = [each for each in answers if not each.low_only or _is_sharp(each, whole)]
    trusted = (each for each in founded if each.evidence >= TRUSTED)
    return next(trusted, max(founded, key=lambda each: each.evidence))


def _judge(groups: NDArray[np.float64], likeness: Curve, bands: int) -> Centre:
    whole = groups.sum(axis=0)
    rough = _peak(_agreement(whole, bands, _NARROW_DB))
    # A dense mix has a low, broad mode that a wide look finds better; a sharp one could be drawn
    # aside by a neighbour.
    width_db = _NARROW_DB if _sharpness(whole, rough)[:bands].mean() >= _SHARP else _BROAD_DB
    ratio_db = _peak(_agreement(whole, bands, width_db))
    height = np.interp(ratio_db, RATIOS_DB, _agreement(whole, bands, _NARROW_DB))
    halves = [_peak(_agreement(half, bands, width_db)) for half in _halves(groups)]
    return Centre(
        ratio_db=ratio_db,
        agreement=float(height),
        spread_db=float(np.sqrt(np.mean((np.asarray(halves) - ratio_db) ** 2))),
        likeness=float(np.median(likeness[:bands])),
        alone=_alone(whole, ratio_db),
        bands=bands,
    )


def _alone(whole: NDArray[np.float64], ratio_db: float) -> float:
    """Share of all in-phase sound near a ratio."""
    near = np.abs(RATIOS_DB - ratio_db) < _NEAR_DB
    return float(whole[:, near].sum() / whole.sum())


def _is_sharp(answer: Centre, whole: NDArray[np.float64]) -> bool:
    """Whether every band that was asked has its own sharp, highest mode there."""
    sharp = _sharpness(whole, answer.ratio_db)[: answer.bands].min() >= _VERY_SHARP
    high = _heights(whole, answer.ratio_db)[: answer.bands].min() >= _HIGH
    return bool(sharp and high and (answer.bands > 1 or answer.likeness >= _NEARLY_MONO))


def _agreement(whole: NDArray[np.float64], bands: int, width_db: float) -> Curve:
    """Weighted mean of the bands' histograms, each smoothed and brought to height 1."""
    weights = BAND_WEIGHTS[:bands]
    curve: Curve = weights @ _levelled(whole[:bands], width_db) / weights.sum()
    return curve


def _levelled(whole: NDArray[np.float64], width_db: float) -> NDArray[np.float64]:
    """Each band's histogram, smoothed and brought to height 1."""
    smooth = gaussian_filter1d(whole, width_db / STEP_DB, axis=1, mode="constant")
    levelled: NDArray[np.float64] = smooth / np.maximum(smooth.max(axis=1, keepdims=True), 1e-30)
    return levelled


def _heights(whole: NDArray[np.float64], ratio_db: float) -> Curve:
    """How high each band's histogram is at a ratio, against its own highest point."""
    heights: Curve = _levelled(whole, _NARROW_DB)[:, _place(ratio_db)]
    return heights


def _sharpness(whole: NDArray[np.float64], ratio_db: float) -> Curve:
    """How far each band's narrow mode at a ratio stands above its wider surroundings."""
    place = _place(ratio_db)
    narrow, ground = (
        gaussian_filter1d(whole, width_db / STEP_DB, axis=1, mode="constant")[:, place]
        for width_db in (_NARROW_DB, _GROUND_DB)
    )
    bands: Curve = narrow / np.maximum(ground, 1e-30)
    return bands


def _place(ratio_db: float) -> int:
    return int(np.abs(RATIOS_DB - ratio_db).argmin())


def _halves(groups: NDArray[np.float64]) -> NDArray[np.float64]:
    """Histograms of balanced halves of the groups of stretches, (halves, bands, ratios).

    The rows of a Hadamard matrix choose groups so that every two are together in half of the halves
    (balanced half-samples, McCarthy 1969; from memory). The spread of the halves' answers is the
    standard error of the whole's.
    """
    rows = np.arange(1, _GROUPS + 1)
    signs = np.bitwise_count(rows[:, np.newaxis] & rows) % 2 == 0  # a Hadamard matrix by Sylvester
    halves: NDArray[np.float64] = np.tensordot(signs.astype(float), groups, axes=1)
    return halves


def _peak(curve: Curve) -> float:
    """Ratio of a curve's highest point, between its samples by a parabola."""
    allowed = np.abs(RATIOS_DB) <= MOST_DB
    place = int(np.where(allowed, curve, -1.0).argmax())
    place = min(max(place, 1), len(curve) - 2)
    before, top, after = curve[place - 1 : place + 2]
    bend = before - 2 * top + after
    aside = 0.5 * (before - after) / bend if bend < 0 else 0.0
    return float(RATIOS_DB[place] + STEP_DB * np.clip(aside, -0.5, 0.5))
