"""Measuring: the same tables however the recording is cut into blocks and however many threads work."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.filters import FilterTreatment
from sidekeep.measure import Room, measure
from sidekeep.measurements import Measurements, from_arrays, to_arrays
from sidekeep.steps import rumble

RATE_HZ = 44_100


@pytest.fixture(scope="module")
def audio() -> NDArray[np.float32]:
    """Five seconds of tones, noise and a click, stereo."""
    rng = np.random.default_rng(5)
    time_s = np.arange(5 * RATE_HZ) / RATE_HZ
    tone = 0.3 * np.sin(2 * np.pi * 440 * time_s) * (time_s % 1.3 < 0.9)
    samples = np.stack((tone, 0.7 * tone)) + 0.001 * rng.standard_normal((2, time_s.size))
    samples[:, 100_000] += 0.5
    return samples.astype(np.float32)


def cut(audio: NDArray[np.float32], frames: int) -> Iterator[NDArray[np.float32]]:
    for start in range(0, audio.shape[1], frames):
        yield audio[:, start : start + frames]


def given(
    blocks: Iterable[NDArray[np.float32]],
) -> Callable[[Room], Iterable[NDArray[np.float32]]]:
    return lambda _room: blocks


def assert_equal(one: Measurements, other: Measurements) -> None:
    first, second = to_arrays(one), to_arrays(other)
    assert first.keys() == second.keys()
    for name, array in first.items():
        assert np.array_equal(array, second[name], equal_nan=array.dtype.kind == "f"), name


@pytest.mark.parametrize("frames", [7_777, 44_100, 1 << 16])
def test_blocks_change_nothing(audio: NDArray[np.float32], frames: int) -> None:
    whole = measure(given([audio]), RATE_HZ, 2)
    assert_equal(whole, measure(given(cut(audio, frames)), RATE_HZ, 2))


def test_one_core_gives_the_same_as_two(audio: NDArray[np.float32]) -> None:
    """Blocks that are made in the memory of both, and blocks that are copied there."""

    def in_its_room(room: Room) -> Iterator[NDArray[np.float32]]:
        for block in cut(audio, 44_100):
            place = room(*block.shape)
            place[:] = block
            yield place

    one = measure(given(cut(audio, 44_100)), RATE_HZ, 2, cores=1)
    assert_equal(one, measure(given(cut(audio, 44_100)), RATE_HZ, 2, cores=2))
    assert_equal(one, measure(in_its_room, RATE_HZ, 2, cores=2))


def test_what_is_measured_is_what_will_be_heard(audio: NDArray[np.float32]) -> None:
    """A treatment runs before the meters; the capture table alone sees the recording itself."""
    settings = rumble.Settings(corner_hz=120.0, order=8)
    recording = type("R", (), {"rate_hz": RATE_HZ, "channels": 2})()
    treatment = rumble.STEP.treat(recording, None, settings)  # type: ignore[misc, arg-type]
    assert isinstance(treatment, FilterTreatment)
    low = 0.5 * np.sin(2 * np.pi * 30 * np.arange(4 * RATE_HZ) / RATE_HZ)
    deep = np.stack((low, low)).astype(np.float32)
    plain = measure(given([deep]), RATE_HZ, 2)
    treated = measure(given([deep]), RATE_HZ, 2, (treatment,))
    assert treated.frames == plain.frames
    # An order-8 high-pass is down 96 dB two octaves below its corner (closed form of Butterworth).
    assert treated.levels.mean_square[:, 200:].max() < 1e-6 * plain.levels.mean_square.max()
    assert np.array_equal(treated.capture.peaks, plain.capture.peaks)


def test_tables_survive_being_kept(audio: NDArray[np.float32]) -> None:
    seen = measure(given([audio]), RATE_HZ, 2)
    assert_equal(seen, from_arrays(to_arrays(seen)))
