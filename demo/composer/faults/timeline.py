"""Faults that change the time line: repeats, jumps, missing samples, bent and wrong speed, cuts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from composer import noise
from composer.noise import Samples
from composer.side import ComposedSide


def locked_groove(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """The stylus falls back one turn, again and again: 2 repeats times the strength."""
    rng, rate_hz, turn_s = np.random.default_rng(seed), side.rate_hz, 60 / side.truth.rpm
    turn, at, times = round(turn_s * rate_hz), round(at_s * rate_hz), round(2 * strength)
    once = side.samples[:, at - turn : at]
    repeats = np.tile(once, times) + noise.hiss(turn * times, -84.0, rng)
    out = np.concatenate((side.samples[:, :at], repeats, side.samples[:, at:]), axis=1)
    for again in range(times):
        _land(out, at + again * turn, side.samples[:, at:], rate_hz)
    for again in range(times + 1):
        _jump(out, at + again * turn, rate_hz, rng, size=0.08)
    length_s = turn * times / rate_hz
    truth = side.truth.moved(lambda t: t if t < at_s else t + length_s)
    fault = truth.with_fault("locked groove", at_s, at_s + length_s, strength)
    return ComposedSide(out, rate_hz, fault)


def skip(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """The stylus jumps one turn ahead with a click that peaks at 0.12 times the strength; the arm swings."""
    rng, rate_hz, turn_s = np.random.default_rng(seed), side.rate_hz, 60 / side.truth.rpm
    turn, at = round(turn_s * rate_hz), round(at_s * rate_hz)
    out = np.concatenate((side.samples[:, :at], side.samples[:, at + turn :]), axis=1)
    _land(out, at, side.samples[:, at:], rate_hz)
    _jump(out, at, rate_hz, rng, size=0.12 * strength)
    truth = side.truth.moved(lambda t: t if t < at_s else max(at_s, t - turn / rate_hz))
    return ComposedSide(out, rate_hz, truth.with_fault("skip", at_s, at_s, strength))


def _land(samples: Samples, at: int, left: Samples, rate_hz: int) -> None:
    """Let what was left go as fast as a stylus can, in place, where it lands."""
    rise = np.hanning(2 * round(noise.STYLUS_S * rate_hz) + 3)[
        1 : round(noise.STYLUS_S * rate_hz) + 1
    ]
    landing = samples[:, at : at + rise.size]
    landing += (1 - rise) * (left[:, : rise.size] - landing)


def _jump(
    samples: Samples, at: int, rate_hz: int, rng: np.random.Generator, *, size: float
) -> None:
    """Add, in place, the tick of a landing with a peak of `size`, and how the arm follows."""
    tick = noise.run_out_tick(rate_hz, rng, peak_dbfs=20 * np.log10(size))
    noise.add(samples, at - round(0.001 * rate_hz), tick)
    swing = noise.arm_swing(rate_hz, rng, peak_dbfs=20 * np.log10(size) - 2)
    noise.add(samples, at, swing)


def zeros(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """The recorder writes zeros for 10 ms times the strength."""
    del seed
    start, end = _span(side, at_s, 0.01 * strength)
    out = side.samples.copy()
    out[:, start:end] = 0.0
    return _dropout(side, out, start, end, strength)


def repeated_buffer(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """The recorder writes its last buffer (512 frames times the strength) a second time."""
    del seed
    start, length = round(at_s * side.rate_hz), round(512 * strength)
    out = side.samples.copy()
    out[:, start : start + length] = out[:, start - length : start].copy()
    return _dropout(side, out, start, start + length, strength)


def missing(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """The recorder loses 10 ms times the strength; what follows moves up."""
    del seed
    start, end = _span(side, at_s, 0.01 * strength)
    out = np.concatenate((side.samples[:, :start], side.samples[:, end:]), axis=1)
    lost_s = (end - start) / side.rate_hz
    moved = replace(
        side, truth=side.truth.moved(lambda t: t if t < at_s else max(at_s, t - lost_s))
    )
    return _dropout(moved, out, start, start, strength)


def _span(side: ComposedSide, at_s: float, length_s: float) -> tuple[int, int]:
    return round(at_s * side.rate_hz), round((at_s + length_s) * side.rate_hz)


def _dropout(
    side: ComposedSide, samples: Samples, start: int, end: int, strength: float
) -> ComposedSide:
    rate_hz = side.rate_hz
    truth = side.truth.with_fault("dropout", start / rate_hz, end / rate_hz, strength)
    return ComposedSide(samples, rate_hz, truth)


def slip(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """The platter slows by 3 % times the strength and comes back, over 2.5 s."""
    del seed
    rate_hz, length_s = side.rate_hz, 2.5
    start, end = _span(side, at_s, length_s)
    slowing = 1 - 0.03 * strength * np.hanning(end - start)
    reached = np.concatenate(([0.0], np.cumsum(1 / slowing)))  # playing time at each old frame
    old_frames = np.arange(reached.size, dtype=np.float64)
    positions: Samples = np.interp(np.arange(int(reached[-1])), reached, old_frames)
    bent = _at_positions(side.samples[:, start - 64 : end + 64], positions + 64)
    out = np.concatenate((side.samples[:, :start], bent, side.samples[:, end:]), axis=1)
    longer_s = (bent.shape[1] - (end - start)) / rate_hz
    truth = side.truth.moved(lambda t: t if t < at_s else t + longer_s)
    fault = truth.with_fault("slip", at_s, at_s + bent.shape[1] / rate_hz, strength)
    return ComposedSide(out, rate_hz, fault)


def lasting_slip(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """From a moment on the platter runs 1 % times the strength slower, to the end."""
    del seed
    rate_hz, slow = side.rate_hz, 1 - 0.01 * strength
    start = round(at_s * rate_hz)
    rest = side.samples[:, start:]
    bent = _at_positions(rest, np.arange(int(rest.shape[1] / slow)) * slow)
    out = np.concatenate((side.samples[:, :start], bent), axis=1)
    truth = side.truth.moved(lambda t: t if t < at_s else at_s + (t - at_s) / slow)
    return ComposedSide(out, rate_hz, truth.with_fault("slip", at_s, at_s, strength))


def wow(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """A hole off-centre: pitch swings once a turn by +-0.3 % times the strength, all side long."""
    del at_s, seed
    turn = 60 / side.truth.rpm * side.rate_hz
    frames = np.arange(side.samples.shape[1], dtype=np.float64)
    depth = 0.003 * strength * turn / (2 * np.pi)
    out = _at_positions(side.samples, frames + depth * np.sin(2 * np.pi * frames / turn))
    truth = side.truth
    fault = truth.with_fault("wow", truth.needle_down_s, truth.needle_up_s, strength)
    return ComposedSide(out, side.rate_hz, fault)


def speed(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """The platter runs 1.5 % times the strength too fast, all side long."""
    del at_s, seed
    factor = 1 + 0.015 * strength
    frames = int(side.samples.shape[1] / factor)
    out = _at_positions(side.samples, np.arange(frames) * factor)
    truth = side.truth.moved(lambda t: t / factor)
    fault = truth.with_fault("speed", truth.needle_down_s, truth.needle_up_s, strength)
    return ComposedSide(out, side.rate_hz, fault)


def _at_positions(samples: Samples, positions: NDArray[np.floating]) -> Samples:
    rows = [ndimage.map_coordinates(row, positions[np.newaxis], order=3) for row in samples]
    out: Samples = np.asarray(rows)
    return out


def cut_start(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """The recorder was started 2 s times the strength into the music."""
    del at_s, seed
    return _cut(side, side.truth.programme_start_s + 2 * strength, side.truth.duration_s, strength)


def cut_end(side: ComposedSide, at_s: float, strength: float, seed: int) -> ComposedSide:
    """The recorder was stopped 2 s times the strength before the music ended."""
    del at_s, seed
    return _cut(side, 0.0, side.truth.programme_end_s - 2 * strength, strength)


def _cut(side: ComposedSide, start_s: float, end_s: float, strength: float) -> ComposedSide:
    first, last = round(start_s * side.rate_hz), round(end_s * side.rate_hz)
    out = side.samples[:, first:last].copy()
    length_s = out.shape[1] / side.rate_hz
    truth = side.truth.moved(lambda t: min(max(t - start_s, 0.0), length_s))
    where = 0.0 if first else length_s
    return ComposedSide(out, side.rate_hz, truth.with_fault("cut short", where, where, strength))
