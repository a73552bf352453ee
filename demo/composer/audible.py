"""Where a programme can be heard above groove noise: a comparison band by band, cell by cell."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from composer.noise import Samples

EDGES_HZ = np.geomspace(40, 16_000, 20)
SEARCH_S = 20.0


def cell_frames(rate_hz: int) -> int:
    """Frames per cell, 20 ms."""
    return round(rate_hz * 0.02)


def band_powers(samples: Samples, rate_hz: int) -> NDArray[np.float64]:
    """Power per cell in 19 bands, 0.45 octave each, 40 Hz to 16 kHz: (channels, cells, bands)."""
    length = cell_frames(rate_hz)
    cells = samples.shape[1] // length
    framed = samples[:, : cells * length].reshape(samples.shape[0], cells, length)
    window = np.hanning(length)
    power = np.square(np.abs(np.fft.rfft(framed * window, axis=2) / window.sum()))
    bins = np.searchsorted(np.fft.rfftfreq(length, 1 / rate_hz), EDGES_HZ)
    below = np.concatenate((np.zeros((*power.shape[:2], 1)), np.cumsum(power, axis=2)), axis=2)
    banded: NDArray[np.float64] = np.diff(below[:, :, np.maximum(bins, 1)], axis=2)
    return banded


def audible_bounds(
    programme: Samples, noise_powers: NDArray[np.float64], rate_hz: int
) -> tuple[int, int]:
    """First and last frame at which a clean programme stands above the noise.

    A cell counts when in any band of either channel the programme has at least the noise's mean
    power there, and 6 dB more than that in itself or in the next cell (one bare touch of the noise
    is masked). Common practice, no source: a tone at the level of band noise is just heard.

    Args:
        programme: clean programme, shape (channels, frames).
        noise_powers: mean of `band_powers` of the noise, shape (channels, bands).
        rate_hz: sample rate in Hz.

    Returns:
        Frames (first, last + 1); (0, 0) when nothing is heard.
    """
    length = cell_frames(rate_hz)
    span = round(SEARCH_S * rate_hz) // length * length
    frames = programme.shape[1]
    for start in range(0, frames, span):
        heard = _heard(programme[:, start : start + span], noise_powers, rate_hz)
        if heard.size:
            first = start + int(heard[0]) * length
            break
    else:
        return 0, 0
    for end in range(frames, 0, -span):
        begin = max(0, end - span)
        heard = _heard(programme[:, begin:end], noise_powers, rate_hz)
        if heard.size:
            return first, min(frames, begin + (int(heard[-1]) + 1) * length)
    return 0, 0


def _heard(programme: Samples, noise_powers: NDArray[np.float64], rate_hz: int) -> NDArray[np.intp]:
    length = cell_frames(rate_hz)
    whole = -(-programme.shape[1] // length) * length
    padded = np.pad(programme, ((0, 0), (0, whole - programme.shape[1])))
    ratio = band_powers(padded, rate_hz) / (noise_powers[:, np.newaxis, :] + 1e-13)
    best = ratio.max(axis=(0, 2))
    strong = best >= 4.0
    near = np.convolve(strong, (True, True, True), mode="same")
    return np.flatnonzero((best >= 1.0) & (near > 0))
