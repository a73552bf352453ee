"""The 1 ms tables and the partials: the same for any blocks, and everything at its place."""

import numpy as np
import pytest
from numpy.typing import NDArray

from event_meter import EventMeter
from sidekeep.dsp.edges import spike_db
from sidekeep.dsp.events import EventTable
from sidekeep.dsp.spectra import Framer


def table(samples: NDArray[np.float64], rate_hz: int, block: int | None = None) -> EventTable:
    meter, framer = EventMeter(rate_hz, samples.shape[0]), Framer(rate_hz)
    for start in range(0, samples.shape[1], block or samples.shape[1]):
        piece = samples[:, start : start + (block or samples.shape[1])].astype(np.float32)
        meter.update(piece)
        meter.update_spectra(framer.update(piece))
    return meter.finish()


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_any_blocks_give_the_same_table(rate_hz: int) -> None:
    samples = 0.1 * np.random.default_rng(2).standard_normal((2, 2 * rate_hz))
    whole, pieces = table(samples, rate_hz), table(samples, rate_hz, 3331)
    assert np.array_equal(whole.treble, pieces.treble)
    assert np.array_equal(whole.tone_hz, pieces.tone_hz)
    # Matrix products may round differently with their size.
    assert np.abs(whole.middle.astype(int) - pieces.middle).max() <= 1
    assert np.allclose(whole.low, pieces.low, atol=0.01)
    assert np.allclose(np.sort(whole.held_hz), np.sort(pieces.held_hz), rtol=1e-4)
    assert np.allclose(whole.spectra, pieces.spectra)
    assert np.array_equal(whole.break_tick, pieces.break_tick)
    assert np.allclose(whole.breaks, pieces.breaks, atol=0.1)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
def test_a_click_lies_in_its_tick_in_both_bands(rate_hz: int) -> None:
    samples = np.zeros((1, rate_hz))
    place = round(0.4 * rate_hz)
    samples[0, place] = 0.5
    seen = table(samples, rate_hz)
    assert abs(int(seen.treble[0].argmax()) - place // seen.tick_frames) <= 1
    assert abs(int(seen.middle[0].argmax()) - place // seen.tick_frames) <= 1
    # The second difference of a single sample is twice its height.
    assert spike_db(seen.treble).max() == pytest.approx(0.0, abs=0.25)


def test_the_bass_keeps_its_level_and_phase() -> None:
    time_s = np.arange(88_200) / 44_100
    seen = table(0.2 * np.sin(2 * np.pi * 50 * time_s)[np.newaxis], 44_100)
    expected = 0.2 * np.sin(2 * np.pi * 50 * np.arange(seen.ticks) * seen.tick_frames / 44_100)
    low = seen.low_signal(0, seen.ticks)[0]
    assert np.abs(low - expected)[20:-20].max() < 0.2 * 2 * np.pi * 50 * 0.0011


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_a_partials_frequency_is_exact(rate_hz: int) -> None:
    time_s = np.arange(rate_hz) / rate_hz
    wave = 0.3 * np.sin(2 * np.pi * 447.3 * time_s) + 0.1 * np.sin(2 * np.pi * 1203.7 * time_s)
    tones = table(wave[np.newaxis], rate_hz).tone_hz[3:, :2]
    assert np.sort(tones, axis=1) == pytest.approx(
        np.tile([447.3, 1203.7], (tones.shape[0], 1)), abs=0.5
    )


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_held_partials_are_those_of_the_sum_of_channels(rate_hz: int) -> None:
    time_s = np.arange(2 * rate_hz) / rate_hz
    left, right = (0.1 * np.sin(2 * np.pi * hz * time_s) for hz in (447.3, 1203.7))
    found = table(np.stack((left, right)), rate_hz)
    cells = (2 * rate_hz - 6000) // found.held_frames - 1
    assert cells <= len(found.held_hz) <= cells + 1
    held = np.sort(found.held_hz[1:], axis=1)
    assert (held[:, :-2] == 0).all()
    assert held[:, -2:] == pytest.approx(np.tile([447.3, 1203.7], (len(held), 1)), abs=0.3)
