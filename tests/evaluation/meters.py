"""The program's loudness and true peaks against independent meters, on what it would deliver."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyebur128
import soundfile
from scipy import signal

from composer.noise import Samples
from sidekeep.dsp.treatment import Chain, Treatment
from sidekeep.model import Level, Plan

MOST_CELLS = 400
INTERPOLATOR = signal.firwin(2 * 64 * 32 + 1, 1 / 32, window=("kaiser", 10.0)) * 32


def errors(
    path: Path, plan: Plan, treatments: tuple[Treatment, ...]
) -> tuple[tuple[float, ...], float | None]:
    """Measure side and tracks again.

    Returns:
        Absolute errors of the integrated loudness, side first, in LU; and the side's true peak minus
        the one found by 32-fold interpolation, in dB (negative = under), None without a level.
    """
    side = plan.sides[0]
    if side.level is None or side.level.true_peak_dbtp is None:
        return (), None
    sound = _treated(path, treatments)
    if side.balance is not None:
        halves_db = np.array([[-side.balance.applied_db / 2], [side.balance.applied_db / 2]])
        sound = sound * 10 ** (halves_db / 20)
    whole = sound[:, side.tracks[0].span.start : side.tracks[-1].span.end]
    parts = [(side.level, whole)]
    parts += [
        (track.level, sound[:, track.span.start : track.span.end])
        for track in side.tracks
        if track.level is not None
    ]
    rate_hz = plan.recording.rate_hz
    loudness = (_loudness_error(level, part, rate_hz) for level, part in parts)
    peak_error_db = side.level.true_peak_dbtp - true_peak_db(whole, rate_hz)
    return tuple(error for error in loudness if error is not None), peak_error_db


def _loudness_error(level: Level, part: Samples, rate_hz: int) -> float | None:
    state = pyebur128.R128State(2, rate_hz, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(part.T).ravel(), part.shape[1])
    lufs = float(pyebur128.get_loudness_global(state))
    if not np.isfinite(lufs) or level.integrated_lufs is None:
        return None
    return abs(level.integrated_lufs - lufs)


def true_peak_db(sound: Samples, rate_hz: int) -> float:
    """True peak by 32-fold interpolation around the highest cells of 10 ms, in dBTP.

    Only cells whose sample peak is within 3 dB of the highest are looked at, the loudest 400: what
    lies lower can be higher only in programme made for the purpose, so this is a lower bound.
    """
    length = rate_hz // 100
    cells = sound.shape[1] // length
    peaks = np.abs(sound[:, : cells * length]).reshape(2, cells, length).max(axis=2)
    channels, places = np.unravel_index(np.argsort(peaks, axis=None)[::-1], peaks.shape)
    highest = float(peaks.max())
    found = float(np.abs(sound).max())
    for channel, place in list(zip(channels, places, strict=True))[:MOST_CELLS]:
        if peaks[channel, place] < 0.7 * highest:
            break
        margin = 256
        first = max(0, place * length - margin)
        around = sound[channel, first : (place + 1) * length + margin]
        fine = signal.upfirdn(INTERPOLATOR, around, up=32)
        inside = fine[32 * 128 : -32 * 128]
        found = max(found, float(np.abs(inside).max()))
    return float(20 * np.log10(found))


def _treated(path: Path, treatments: tuple[Treatment, ...]) -> Samples:
    sound = soundfile.read(path, always_2d=True)[0].T
    chain = Chain(treatments, 2)
    if not chain:
        return np.ascontiguousarray(sound)
    return np.concatenate((chain.process(sound), chain.flush()), axis=1)
