"""Tests of the tracing table: only products opposite in the channels follow the treble's square."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from sidekeep.dsp.spectra import Framer
from sidekeep.dsp.tracing import BANDS, TracingMeter, TracingTable

RATE_HZ = 44_100
CELL = 1024


def treble(seconds: float = 6.0, seed: int = 1) -> NDArray[np.float64]:
    """Centred music of treble alone, and what differs between channels, as noise."""
    rng = np.random.default_rng(seed)
    band = signal.butter(4, (1500, 7000), "bandpass", fs=RATE_HZ, output="sos")
    middle = signal.sosfilt(band, rng.standard_normal(round(seconds * RATE_HZ)))
    return 0.1 * middle + 0.0003 * rng.standard_normal((2, middle.size))


def table(
    sound: NDArray[np.float64], *, rate_hz: int = RATE_HZ, block: int = 1 << 30
) -> TracingTable:
    framer, meter = Framer(rate_hz), TracingMeter(rate_hz, sound.shape[0])
    for start in range(0, sound.shape[1], block):
        meter.update(framer.update(sound[:, start : start + block].astype(np.float32)))
    return meter.finish()


def alike(found: TracingTable) -> float:
    """Squared coherence of difference and expected products, 0 to 1."""
    whole = np.abs(found.cross.sum(axis=0)) ** 2
    return float((whole / (found.product.sum(axis=0) * found.difference.sum(axis=0))).mean())


@pytest.mark.parametrize("block", [700, 44_100, 100_001])
def test_any_blocks_give_the_same_table(block: int) -> None:
    sound = treble(3.0)
    whole, cut = table(sound), table(sound, block=block)
    assert whole.cross.shape == (sound.shape[1] // CELL // 8, BANDS)
    for name in ("cross", "product", "difference", "treble"):
        assert np.array_equal(getattr(whole, name), getattr(cut, name)), name


def test_products_outward_from_both_walls_are_seen_and_no_others() -> None:
    clean = treble()
    outward = clean + 0.3 * np.array([[1.0], [-1.0]]) * clean**2
    amplifier = clean + 0.3 * clean**2
    cubic = clean + 3.0 * clean**3
    assert alike(table(outward)) > 0.5
    assert max(alike(table(sound)) for sound in (clean, amplifier, cubic)) < 0.01


def test_the_powers_are_those_of_the_loudest_cell() -> None:
    sound = 1e-6 * treble(1.0)
    loud = slice(3 * CELL, 4 * CELL)
    sound[:, loud] *= 1e6
    spectra = Framer(RATE_HZ).update(sound[:, loud].astype(np.float32))
    hertz = np.arange(513) * RATE_HZ / CELL
    found = table(sound)
    inside = (hertz >= 1500) & (hertz < 8000)
    assert found.treble[0] == pytest.approx((np.abs(spectra[:, 0, inside]) ** 2).sum(), rel=1e-4)
    inside = (hertz >= 8000) & (hertz < 16_000)
    difference = np.abs(spectra[0, 0, inside] - spectra[1, 0, inside]) ** 2
    assert found.difference[0].sum() == pytest.approx(difference.sum(), rel=1e-4)
    assert found.bins.sum() == inside.sum()


def test_one_channel_or_a_low_rate_leaves_it_empty() -> None:
    assert table(treble(1.0)[:1]).cross.shape == (0, BANDS)
    assert table(treble(1.0), rate_hz=22_050).cross.shape == (0, BANDS)
