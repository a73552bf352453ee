"""Two channels to one, for records cut in mono, with what it gains in signal to noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.equalblocks import EqualBlocks
from sidekeep.dsp.treatment import Samples

_WEIGHTS = {"sum": (0.5, 0.5), "left": (1.0, 0.0), "right": (0.0, 1.0)}
_NOISE_SHARE, _PROGRAMME_SHARE = 0.05, 0.5


class MonoTreatment:
    """Takes one channel, or the mean of both, of a recording of two.

    A mono cut puts the same into both walls of the groove, while dust and wear differ: the mean keeps
    the programme and loses up to 3 dB of noise. `snr_gain_db` says how much it was, once the recording
    is through: the change of the programme's power (the louder half of the cells of 100 ms) less that
    of the groove noise's (the quietest twentieth that is not digital silence), each against the mean
    power of both channels. With programme from end to end there is no groove noise to see, and the
    figure comes out too small.

    Args:
        take: `sum` (half of left plus right), `left` or `right`.
        rate_hz: sample rate in Hz.
    """

    channels_out = 1
    time_scale = 1.0

    def __init__(self, take: str, rate_hz: int) -> None:
        self.note = (
            "both channels summed to mono" if take == "sum" else f"{take} channel taken as mono"
        )
        self.snr_gain_db: float | None = None
        self._weights = np.array(_WEIGHTS[take])
        self._cells = EqualBlocks(2, round(rate_hz / 10), np.float64)
        self._powers: list[tuple[float, float]] = []

    def process(self, block: Samples) -> Samples:
        """Turn a block (2, frames) into one of (1, frames)."""
        for cell in self._cells.cut(block):
            both = float(np.square(cell).mean())
            self._powers.append((both, float(np.square(self._weights @ cell).mean())))
        return (self._weights @ block)[np.newaxis]

    def flush(self) -> Samples:
        """Return nothing (1, 0); work out the gain in signal to noise and put it into the note."""
        self.snr_gain_db = snr_gain_db(np.array(self._powers).reshape(-1, 2))
        if self.snr_gain_db is not None:
            self.note += f" (signal to noise {self.snr_gain_db:+.1f} dB)"
        return np.zeros((1, 0))


def snr_gain_db(powers: NDArray[np.float64]) -> float | None:
    """Gain in signal to noise from the mean power of both channels to that of the mono channel.

    Args:
        powers: per cell of 100 ms, the mean power of both channels and the power of the mono one,
            shape (cells, 2).

    Returns:
        the gain in dB; None without ten cells of sound, or when either power vanishes.
    """
    heard = powers[powers[:, 0] > 0]
    if len(heard) < 10:
        return None
    ranked = heard[np.argsort(heard[:, 0], kind="stable")]
    noise = ranked[: max(1, round(_NOISE_SHARE * len(ranked)))].mean(axis=0)
    programme = ranked[round((1 - _PROGRAMME_SHARE) * len(ranked)) :].mean(axis=0)
    if noise[1] <= 0 or programme[1] <= 0:
        return None
    return float(10 * np.log10(programme[1] / programme[0] * noise[0] / noise[1]))
