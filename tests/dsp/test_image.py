"""The stereo image of tiles of time and frequency."""

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.image import BANDS, RATIOS_DB
from stereo_mixes import RATE_HZ, band_mix, image_of


def noise(seconds: float = 12.0, seed: int = 1) -> NDArray[np.float32]:
    frames = round(seconds * RATE_HZ)
    return 0.1 * np.random.default_rng(seed).standard_normal(frames).astype(np.float32)


@pytest.mark.parametrize("ratio_db", [-7.0, -0.5, 0.0, 3.0])
def test_one_source_lies_at_its_ratio_in_every_band(ratio_db: float) -> None:
    mono = noise()
    table = image_of(np.stack([mono * 10 ** (ratio_db / 20), mono]).astype(np.float32))
    for band in range(BANDS):
        weights = table.weights[:, band].sum(axis=0)
        assert (weights * RATIOS_DB).sum() / weights.sum() == pytest.approx(ratio_db, abs=0.03)
        left, right, shared = table.powers[:, band].sum(axis=0)
        assert 10 * np.log10(left / right) == pytest.approx(ratio_db, abs=0.01)
        assert shared**2 == pytest.approx(left * right, rel=1e-4)


def test_what_is_not_alike_or_in_antiphase_has_no_weight() -> None:
    alike = image_of(np.stack([noise(), noise()]))
    apart = image_of(np.stack([noise(seed=1), noise(seed=2)]))
    against = image_of(np.stack([noise(), -noise()]))
    assert apart.weights.sum() < 0.01 * alike.weights.sum()
    assert against.weights.sum() == 0
    assert (against.powers[..., 2] < 0).all()


def test_any_blocks_give_the_same_table() -> None:
    signal = band_mix()[:, : 14 * RATE_HZ]
    whole = image_of(signal, block=signal.shape[1])
    for block in (1000, 44_100, 100_003):
        parts = image_of(signal, block=block)
        assert parts.stretch_frames == whole.stretch_frames
        np.testing.assert_array_equal(parts.weights, whole.weights)
        np.testing.assert_array_equal(parts.powers, whole.powers)
        np.testing.assert_array_equal(parts.slices, whole.slices)


def test_slices_hold_the_channels_own_power() -> None:
    table = image_of(np.stack([noise(seed=1), 0.5 * noise(seed=2)]))
    ratio_db = 10 * np.log10(table.slices[0] / table.slices[1])
    assert np.median(ratio_db) == pytest.approx(6.02, abs=0.1)
    assert table.slices.shape[1] == pytest.approx(12 * RATE_HZ / table.slice_frames, abs=4)


def test_one_channel_or_nothing_leaves_an_empty_table() -> None:
    for signal in (noise()[np.newaxis], np.zeros((2, 100), np.float32)):
        table = image_of(signal)
        assert table.weights.shape == (0, BANDS, len(RATIOS_DB))
        assert table.powers.shape == (0, BANDS, 3)
        assert table.slices.shape == (2, 0)


def test_silence_is_no_error() -> None:
    table = image_of(np.zeros((2, 12 * RATE_HZ), np.float32))
    assert len(table.weights) > 0
    assert not table.weights.any()


@pytest.mark.parametrize("rate_hz", [48_000, 96_000, 192_000])
def test_stretches_last_about_five_seconds_at_any_rate(rate_hz: int) -> None:
    mono = noise(rate_hz / RATE_HZ * 12)
    table = image_of(np.stack([mono, mono]), rate_hz=rate_hz)
    assert table.stretch_frames / rate_hz == pytest.approx(5, abs=0.4)
    assert len(table.weights) == 3
    size = sum(a.nbytes for a in (table.weights, table.powers, table.slices))
    assert size / 12 * 60 < 200_000  # a minute of table
