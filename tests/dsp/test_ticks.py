"""Ticks: the decimating filter against a library's, and as many ticks as the recording has."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from sidekeep.dsp.ticks import Decimator, TickMeter

_FACTOR, _TAPS, _FRAMES = 6, 48, 60_000


@pytest.mark.parametrize("frames", [700, 3_333, _FRAMES])
def test_the_decimator_keeps_every_nth_sample_of_a_low_pass(frames: int) -> None:
    """Reference: `scipy.signal.firwin` and `lfilter`; 5.65 is Kaiser's beta for 60 dB.

    (J. F. Kaiser, 1974; `scipy.signal.kaiser_beta(60)`.)
    """
    samples = np.random.default_rng(1).standard_normal((2, _FRAMES)).astype(np.float32)
    decimator = Decimator(_FACTOR, 2)
    parts = [decimator.process(samples[:, at : at + frames]) for at in range(0, _FRAMES, frames)]
    found = np.concatenate(parts, axis=1)

    taps = scipy.signal.firwin(_TAPS, 1 / _FACTOR, window=("kaiser", scipy.signal.kaiser_beta(60)))
    # Output k stands for the frames around k * factor: half the filter lies before, half after.
    padded = np.pad(samples.astype(np.float64), ((0, 0), (_TAPS // 2, 0)))
    filtered = scipy.signal.lfilter(taps, [1.0], padded)
    expected = filtered[:, _TAPS - 1 :: _FACTOR]
    assert found.shape[1] > 0.8 * expected.shape[1]
    assert np.allclose(found, expected[:, : found.shape[1]], atol=1e-4)


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
@pytest.mark.parametrize("ticks", [1, 31, 248, 249, 530])
def test_there_are_as_many_ticks_as_the_recording_has(rate_hz: int, ticks: int) -> None:
    meter = TickMeter(rate_hz, 2)
    frames = ticks * meter.tick + 3
    time_s = np.arange(frames) / rate_hz
    meter.update(np.tile(np.sin(2 * np.pi * 100 * time_s), (2, 1)).astype(np.float32))
    for table in meter.finish():
        assert table.shape == (2, ticks)
