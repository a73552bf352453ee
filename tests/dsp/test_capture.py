"""What the recorder did to the samples: rails, held samples, repeated buffers, word length."""

import dataclasses

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.capture import CaptureMeter, CaptureTable

RATE_HZ = 44_100


def table(samples: NDArray[np.float64], block: int = RATE_HZ, bits: int = 24) -> CaptureTable:
    steps = 2.0 ** (bits - 1)
    codes = np.clip(np.round(samples * steps), -steps, steps - 1) / steps
    meter = CaptureMeter(RATE_HZ, samples.shape[0])
    for start in range(0, samples.shape[1], block):
        meter.update(codes[:, start : start + block].astype(np.float32))
    return meter.finish()


def noise(seconds: float = 1.0) -> NDArray[np.float64]:
    return 0.1 * np.random.default_rng(5).standard_normal((2, round(seconds * RATE_HZ)))


@pytest.mark.parametrize("block", [777, 4096, 30_000])
def test_any_blocks_give_the_same_table(block: int) -> None:
    samples = np.clip(noise() * 6, -1, 0.9)
    samples[:, 20_000:20_500] = samples[:, 19_500:20_000]
    samples[:, 30_000:30_200] = 0.0
    whole, pieces = table(samples), table(samples, block)
    for field in dataclasses.fields(CaptureTable):
        assert np.array_equal(getattr(whole, field.name), getattr(pieces, field.name)), field.name


def test_a_clipped_wave_is_flat_and_a_whole_one_is_not() -> None:
    wave = np.sin(2 * np.pi * 200 * np.arange(RATE_HZ) / RATE_HZ)[np.newaxis]
    assert table(0.9 * wave).flat.max() == 0
    # A sine that is cut at half its height stays there for a third of its period.
    cut = table(np.clip(0.9 * wave, -0.45, 0.45))
    assert cut.flat.max() == pytest.approx(RATE_HZ / 200 / 3, abs=2)


def test_held_samples_are_measured_to_the_sample() -> None:
    samples = noise()
    samples[:, 22_050 + 10 : 22_050 + 110] = 0.25
    held = table(samples).held
    assert held[:, 50].tolist() == [100, 100]
    assert np.count_nonzero(held) == 2


def test_a_buffer_written_twice_is_found_with_its_distance() -> None:
    samples = noise()
    samples[:, 20_000:20_512] = samples[:, 19_488:20_000]
    found = table(samples)
    assert set(found.repeat_lag.tolist()) == {512}
    assert ((found.repeat_frame >= 20_000) & (found.repeat_frame < 20_512)).all()
    assert table(noise()).repeat_frame.size == 0


@pytest.mark.parametrize(("bits", "word"), [(24, 0xFFFFFF), (16, 0xFFFF00), (20, 0xFFFFF0)])
def test_the_bits_in_use_are_known(bits: int, word: int) -> None:
    assert table(noise(), bits=bits).word == word
