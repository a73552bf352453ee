"""How rare an edge is among the others of a side, and among clicks that a cartridge gives."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.findings.scene import Scene

# Three quarters of real clicks are less sharp; e-folding above.
_SHARP_DB, _SHARP_SPREAD_DB = 6.0, 1.8
# The same at the top of the band.
_TOP_DB, _TOP_SPREAD_DB = 6.0, 2.0
_LEAST_SPREAD_DB = 1.5  # of real edges, where a few of one height were chosen
_BOTH_SAY = 0.25  # what the lesser of the two adds; they mostly see the same
_MOST_SHARP = 12.0  # what the sharpness of an edge may say
# Nineteen places in twenty where samples are missing stand further out at the top of the band than the
# first.
_SOFT_DB, _SOFTEST_DB, _SOFT_SAYS = 11.0, 7.0, -4.0
_UNSEEN_SAYS = -8.0  # of a place that only the middle band told of; notes begin there as well
_SHARP_SAYS = 1.0
_QUARTER = 0.25
_REAL_CLICKS = 20  # so many are counted among the edges of a side, which may have few


def sharpness(
    scene: Scene, ticks: NDArray[np.int64], seen: NDArray[np.float32]
) -> NDArray[np.float64]:
    """What sharpness says of each edge: how rare it is, by the other edges or by real clicks; (n,).

    An edge that is not to be seen at the top of the band speaks against a break.
    """
    sharp_db, top_db = seen[:, 3].astype(np.float64), seen[:, 4].astype(np.float64)
    edges = sharp_db != 0  # others were chosen for the middle band
    rare = np.zeros(ticks.size)
    rare[edges] = _rare(sharp_db[edges], _SHARP_DB, _SHARP_SPREAD_DB)
    ends = np.array([last for _, last in scene.pieces()]) // scene.seen.events.tick_frames
    piece = np.searchsorted(ends, ticks, side="right")
    for one in np.unique(piece[edges]):
        same = edges & (piece == one)
        top = _rare(top_db[same], _TOP_DB, _TOP_SPREAD_DB)
        both = np.maximum(rare[same], top), np.minimum(rare[same], top)
        rare[same] = both[0] + _BOTH_SAY * both[1]
    soft = np.clip((_SOFT_DB - top_db) / (_SOFT_DB - _SOFTEST_DB), 0, 1)
    says = np.where(edges, _SOFT_SAYS * soft, _UNSEEN_SAYS)
    result: NDArray[np.float64] = rare + _SHARP_SAYS + says
    return result


def _rare(
    edges_db: NDArray[np.float64], real_db: float, real_spread_db: float
) -> NDArray[np.float64]:
    """How rare each edge is by the tail of them all and of real clicks, as a natural logarithm.

    The highest quarter is taken to fall off exponentially; music that was made of hard edges has a
    long tail, and then the hardest of them says little.
    """
    real = real_db - real_spread_db * np.log(
        (np.arange(_REAL_CLICKS) + 0.5) / _REAL_CLICKS / _QUARTER
    )
    known = np.concatenate((edges_db, real))
    quarter = float(np.quantile(known, 1 - _QUARTER))
    spread = float(np.median(known[known > quarter] - quarter)) / np.log(2)
    spread = max(spread, _LEAST_SPREAD_DB)
    says = -np.log(_QUARTER) + (edges_db - quarter) / spread
    rare: NDArray[np.float64] = np.where(edges_db > quarter, np.minimum(says, _MOST_SHARP), 0.0)
    return rare
