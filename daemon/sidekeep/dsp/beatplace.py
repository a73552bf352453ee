"""Where exactly the beat leaves off: from which moment on what follows foretells better than what was.

Around a place where the beat jumps, what came some beats or bars before says what would have come, and
what comes as much later says what was to come if the jump was earlier.
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from sidekeep.dsp.beatjump import Floats

AROUND_S = 1.2
"""So far before and after a place is looked at."""

_LEARNED_S = 6.0
_LAGS_S = (2.6, 8.0)  # the nearest leads from one end of the stretch beyond the other
_LAGS, _ALMOST = 4, 0.5  # so many are taken, if they are almost as good as the best
_APART_CELLS = 3
_LEAST_VARIANCE = 0.05  # of an envelope in dB squared, below which nothing can be foretold


def beat_parts(
    envelope: Floats, cell: int, within: tuple[int, int], cells_per_second: float
) -> NDArray[np.float64]:
    """How likely the beat parts at each of the cells around a place.

    Args:
        envelope: of `dsp.beatjump.beat_envelope`, shape (bands, cells).
        cell: the place.
        within: first and last cell of the music around it.
        cells_per_second: of the envelope.

    Returns:
        Natural logarithm of the likelihood that the music parts before cell `cell - around + i`, shape
        (2 * around + 1,), `around` being `AROUND_S` in cells, the best 0; all 0 where nothing can be
        foretold.
    """
    around = round(AROUND_S * cells_per_second)
    music, place = envelope[:, within[0] : within[1]], cell - within[0]
    if not around <= place <= music.shape[1] - around:
        return np.zeros(2 * around + 1)
    heard = music[:, place - around : place + around]
    before = _expected(music, place, around, cells_per_second)
    after = _expected(music[:, ::-1], music.shape[1] - place, around, cells_per_second)
    if before is None or after is None:
        return np.zeros(2 * around + 1)
    variance = (before[1] + after[1])[:, np.newaxis] / 2 + _LEAST_VARIANCE
    wrong_before = ((heard - before[0]) ** 2 / variance).sum(axis=0, dtype=np.float64)
    wrong_after = ((heard - after[0][:, ::-1]) ** 2 / variance).sum(axis=0, dtype=np.float64)
    wrong = np.zeros(2 * around + 1)
    wrong[1:] += np.cumsum(wrong_before)
    wrong[:-1] += np.cumsum(wrong_after[::-1])[::-1]
    likely: NDArray[np.float64] = (wrong.min() - wrong) / 2
    return likely


def _expected(
    music: Floats, place: int, around: int, per_second: float
) -> tuple[Floats, Floats] | None:
    """What was some lags before, laid over what is around a place; its error before that, (bands,)."""
    known = place - around
    learned = min(round(_LEARNED_S * per_second), known // 2)
    shortest, longest = round(_LAGS_S[0] * per_second), round(_LAGS_S[1] * per_second)
    longest = min(longest, known - learned)
    if longest <= shortest:
        return None
    recent = music[:, known - learned : known]
    earlier = sliding_window_view(
        music[:, known - learned - longest : known - shortest], learned, axis=1
    )
    alike = _alike(recent, earlier)[::-1]  # by lag, from the shortest
    lags = _best(alike) + shortest
    learned_so = np.mean([music[:, known - learned - lag : known - lag] for lag in lags], axis=0)
    expected = np.mean([music[:, known - lag : place + around - lag] for lag in lags], axis=0)
    return expected, ((recent - learned_so) ** 2).mean(axis=1)


def _alike(recent: Floats, earlier: Floats) -> Floats:
    """Correlation of (bands, cells) with each of (bands, lags, cells), summed over bands; (lags,)."""
    recent = recent - recent.mean(axis=1, keepdims=True)
    product = np.einsum("bc,blc->bl", recent, earlier)
    power = (recent**2).sum(axis=1, keepdims=True) * earlier.var(axis=2) * earlier.shape[2]
    alike: Floats = (product / np.sqrt(power + 1e-9)).sum(axis=0)
    return alike


def _best(alike: Floats) -> NDArray[np.int64]:
    """The lags most alike that lie apart, the best first."""
    taken: list[int] = []
    for lag in np.argsort(-alike).tolist():
        if len(taken) == _LAGS or (taken and alike[lag] < _ALMOST * alike[taken[0]]):
            break
        if all(abs(lag - other) >= _APART_CELLS for other in taken):
            taken.append(lag)
    return np.array(taken, np.int64)
