import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import spun
from sidekeep.dsp.bands import EDGES_HZ, BandMeter
from sidekeep.dsp.spectra import Framer


@given(block=st.integers(1, 9000))
@settings(max_examples=12, deadline=None)
def test_any_blocks_give_the_same_table(block: int) -> None:
    audio = spun.played([spun.tune(0.5)], lead_in_s=0.2, run_out_s=0.2, up_s=0.1)
    whole, parts = spun.bands(audio), spun.bands(audio, block)
    np.testing.assert_array_equal(whole.level, parts.level)
    np.testing.assert_array_equal(whole.tonality, parts.tonality)


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 192_000])
@pytest.mark.parametrize("hz", [250.0, 1000.0, 5000.0])
def test_a_sine_has_its_mean_square_in_its_band_of_the_middle(rate_hz: int, hz: float) -> None:
    sine = 0.5 * np.sin(2 * np.pi * hz * np.arange(rate_hz) / rate_hz)
    framer, meter = Framer(rate_hz), BandMeter(rate_hz, 2)
    meter.update(framer.update(np.stack((sine, sine)).astype(np.float32)))
    table = meter.finish()
    band = int(np.searchsorted(EDGES_HZ, hz)) - 1
    level_db = np.median(table.level_db()[0, :, band])
    assert level_db == pytest.approx(10 * np.log10(0.125), abs=1.0)
    assert table.level_db()[1].max() < -100


def test_tonality_tells_noise_from_clicks_and_tones() -> None:
    click = spun.silence(1.0)
    click[:, 500::1024] = 0.5
    noise, clicks, tune = (
        np.median(spun.bands(a).tonality_db(), axis=0)
        for a in (spun.noise(3.0), click, spun.tune(3.0))
    )
    # Mean of logarithm against logarithm of mean of an exponential variate: 10 log10(e^0.5772).
    assert np.all((noise > 1.4) & (noise < 2.51))
    assert np.all(clicks < 0.5)
    assert tune.max() > 8


def test_mono_has_one_row_and_stays_small() -> None:
    framer, meter = Framer(44_100), BandMeter(44_100, 1)
    meter.update(framer.update(spun.noise(10.0)[:1]))
    table = meter.finish()
    assert table.level.shape[0] == 1
    both = spun.bands(spun.noise(10.0))
    assert (both.level.nbytes + both.tonality.nbytes) * 6 < 0.15e6


def test_nothing_gives_an_empty_table() -> None:
    table = BandMeter(44_100, 2).finish()
    assert table.level.shape == (2, 0, len(EDGES_HZ) - 1)
