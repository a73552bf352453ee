"""Where the centre of a mix lies: the level ratio that bands, places and sources agree on.

A single instrument off-centre makes a narrow mode too, but only in its own bands; a centre (bass,
drums, voice) shows in all of them. So each band's histogram is brought to the same height, and their
sum says at which ratio the bands agree. The thresholds were found on recorded music and composed
sides; no standard speaks of them.
"""

from __future__ import annotations

from dataclasses import dataclass

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
    weights, powers = _chosen(table, start, end)
    whole = _best(weights, powers)
    among_many = _among_many(weights)
    if whole is None or among_many.all():
        return whole
    many = _best(weights[among_many], powers[among_many])
    return whole if many is None or many.evidence < TRUSTED else many


def _best(weights: NDArray[np.float32], powers: NDArray[np.float64]) -> Centre | None:
    if np.count_nonzero(weights.any(axis=(1, 2))) < 3 or not weights.any(axis=(0, 2)).all():
        return None
    likeness = _likeness(powers)
    whole = weights.sum(axis=0, dtype=np.float64)
    answers = [_judge(weights, likeness, bands) for bands in (BANDS, LOW_BANDS, 1)]
    founded = [each for each in answers if not each.low_only or _is_sharp(each, whole)]
    trusted = (each for each in founded if each.evidence >= TRUSTED)
    return next(trusted, max(founded, key=lambda each: each.evidence))


def _among_many(weights: NDArray[np.float32]) -> NDArray[np.bool_]:
    """The stretches of those parts of the side whose sound comes from more than one place.

    A piece for one instrument says where that one stands, and says it louder than a band its centre.
    """
    many = np.ones(len(weights), np.bool_)
    for first in range(0, len(weights), _PART):
        part = weights[first : first + _PART].sum(axis=0, dtype=np.float64)
        if part.any():
            at_db = _peak(_agreement(part, BANDS, _NARROW_DB))
            many[first : first + _PART] = _alone(part, at_db) < ONE_PLACE
    return many


def agreement_curve(table: ImageTable, start: int, end: int) -> Curve:
    """Give how far the bands agree on each of `RATIOS_DB` in a span, 0 to 1; for a picture."""
    weights, _ = _chosen(table, start, end)
    return _agreement(weights.sum(axis=0, dtype=np.float64), BANDS, _NARROW_DB)


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


def _chosen(
    table: ImageTable, start: int, end: int
) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """The stretches that lie mostly in the span, without bands that are faint in them."""
    centres = (np.arange(len(table.weights)) + 0.5) * table.stretch_frames
    inside = (centres >= start) & (centres < end)
    weights, powers = table.weights[inside], table.powers[inside].astype(float)
    let_go(table.weights)
    power = powers[:, :, :2].sum(axis=2)
    heard = power > _FAINT * power.mean(axis=0) if len(power) else power > 0
    weights *= heard[:, :, np.newaxis]
    return weights, powers * heard[:, :, np.newaxis]


def _likeness(powers: NDArray[np.float64]) -> Curve:
    left, right, shared = powers.sum(axis=0).T
    bands: Curve = shared / np.sqrt(np.maximum(left * right, 1e-30))
    return bands


def _judge(weights: NDArray[np.float32], likeness: Curve, bands: int) -> Centre:
    whole = weights.sum(axis=0, dtype=np.float64)
    rough = _peak(_agreement(whole, bands, _NARROW_DB))
    # A dense mix has a low, broad mode that a wide look finds better; a sharp one could be drawn
    # aside by a neighbour.
    width_db = _NARROW_DB if _sharpness(whole, rough)[:bands].mean() >= _SHARP else _BROAD_DB
    ratio_db = _peak(_agreement(whole, bands, width_db))
    height = np.interp(ratio_db, RATIOS_DB, _agreement(whole, bands, _NARROW_DB))
    halves = [_peak(_agreement(half, bands, width_db)) for half in _halves(weights)]
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


def _halves(weights: NDArray[np.float32]) -> NDArray[np.float64]:
    """Histograms of balanced halves of the stretches, (halves, bands, ratios).

    Stretches fall into groups in turn; the rows of a Hadamard matrix choose groups so that every two
    are together in half of the halves (balanced half-samples, McCarthy 1969; from memory). The
    spread of the halves' answers is the standard error of the whole's.
    """
    groups = np.stack(
        [weights[first::_GROUPS].sum(axis=0, dtype=np.float64) for first in range(_GROUPS)]
    )
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
