"""Two channels to one, for records cut in mono, and what it gains in signal to noise."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.equalblocks import EqualBlocks
from sidekeep.dsp.treatment import Samples, Treatment

_WEIGHTS = {"sum": (0.5, 0.5), "left": (1.0, 0.0), "right": (0.0, 1.0)}
_NOISE_SHARE, _PROGRAMME_SHARE = 0.05, 0.5
_FEWEST_CELLS = 10


def _none() -> NDArray[np.float32]:
    return np.zeros(0, np.float32)


@dataclass(frozen=True)
class MonoTable:
    """Powers in cells of 100 ms, without a constant, where two channels were made one, else empty.

    `both` is the mean over both channels, `one` that of the channel that came out; both (cells,).
    """

    both: NDArray[np.float32] = field(default_factory=_none)
    one: NDArray[np.float32] = field(default_factory=_none)


class MonoTreatment:
    """Takes one channel, or the mean of both, of a recording of two.

    Args:
        take: `sum` (half of left plus right), `left` or `right`.
        rate_hz: sample rate in Hz.
    """

    channels_out = 1
    time_scale = 1.0

    def __init__(self, take: str, rate_hz: int) -> None:
        self.note = (
            "both channels summed to mono" if take == "sum" else f"{take} channel alone, mono"
        )
        self._weights = np.array(_WEIGHTS[take])
        self._cells = EqualBlocks(2, round(rate_hz / 10), np.float64)
        self._powers: list[tuple[float, float]] = []

    def process(self, block: Samples) -> Samples:
        """Turn a block (2, frames) into one of (1, frames)."""
        for cell in self._cells.cut(block):
            both, one = float(cell.var(axis=1).mean()), float((self._weights @ cell).var())
            self._powers.append((both, one))
        return (self._weights @ block)[np.newaxis]

    def flush(self) -> Samples:
        """Return nothing, shape (1, 0)."""
        return np.zeros((1, 0))

    def table(self) -> MonoTable:
        """Return the powers of all whole cells so far."""
        both, one = np.array(self._powers, np.float32).reshape(-1, 2).T
        return MonoTable(both, one)


def mono_table(treatments: Iterable[Treatment]) -> MonoTable:
    """The table of the treatment that made one channel of two; empty if there was none."""
    made = (treatment for treatment in treatments if isinstance(treatment, MonoTreatment))
    return next((treatment.table() for treatment in made), MonoTable())


def snr_gain_db(table: MonoTable) -> float | None:
    """Gain in signal to noise, from the mean power of both channels to that of the one.

    A mono cut puts the same into both walls of the groove, while dust and wear differ: their mean keeps
    the programme and loses up to 3 dB of noise. The gain is the change of the programme's power (the
    louder half of the cells) less that of the noise's (the quietest twentieth that is not digital
    silence: lead-in, gaps and run-out). With programme from end to end there is no groove noise to
    see, and the figure comes out too small; with much needle-up hiss it is that of the hiss.

    Returns:
        the gain in dB; None with less than ten cells of sound, or when a power vanishes.
    """
    heard = table.both > 0
    both, one = table.both[heard].astype(np.float64), table.one[heard].astype(np.float64)
    if len(both) < _FEWEST_CELLS:
        return None
    ranked = np.argsort(both, kind="stable")
    noise = ranked[: max(1, round(_NOISE_SHARE * len(ranked)))]
    programme = ranked[round((1 - _PROGRAMME_SHARE) * len(ranked)) :]
    if one[noise].sum() <= 0 or one[programme].sum() <= 0:
        return None
    kept = one[programme].sum() / both[programme].sum()
    left_over = one[noise].sum() / both[noise].sum()
    return float(10 * np.log10(kept / left_over))
