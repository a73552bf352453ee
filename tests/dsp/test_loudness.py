import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep.dsp.loudness import (
    LoudnessMeter,
    block_energies,
    gated_lufs,
    integrated_lufs,
    loudness_range_lu,
)
from sidekeep.dsp.stretch import Stretch
from standard_signals import libebur128_lufs, loudness_of, music_like, sine, whole


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 88_200, 96_000, 176_400, 192_000])
def test_agrees_with_libebur128(rate_hz: int) -> None:
    """Independent implementation: libebur128, given the same samples."""
    music = music_like(rate_hz, 5)
    table = loudness_of(music, rate_hz)
    assert integrated_lufs(table, whole(music)) == pytest.approx(
        libebur128_lufs(music, rate_hz), abs=1e-4
    )


def test_any_stretch_agrees_with_libebur128_on_the_stretch_alone() -> None:
    """Stretches lie anywhere, not at cells. A file of its own starts with an empty filter."""
    rate_hz = 44_100
    music = music_like(rate_hz, 25)
    table = loudness_of(music, rate_hz)
    chance = np.random.default_rng(5)
    for _ in range(12):
        start = int(chance.uniform(0, 15) * rate_hz)
        end = min(music.shape[1], start + int(chance.uniform(5, 10) * rate_hz))
        found = integrated_lufs(table, Stretch(start, end, (1.0, 1.0)))
        assert found == pytest.approx(libebur128_lufs(music[:, start:end], rate_hz), abs=0.005)


def test_gains_are_folded_in() -> None:
    music = music_like(48_000, 10)
    table = loudness_of(music)
    louder = music * np.array([[0.5], [1.4]], np.float32)
    assert integrated_lufs(table, whole(music, 0.5, 1.4)) == pytest.approx(
        libebur128_lufs(louder, 48_000), abs=1e-4
    )


def test_album_gates_all_blocks_together() -> None:
    """Two stretches equal what libebur128 says of one file, but for the blocks across the join."""
    loud, quiet = sine((30, -14.0)), sine((30, -20.0))
    both = np.concatenate((loud, quiet), axis=1)
    table = loudness_of(both)
    middle = loud.shape[1]
    pieces = (Stretch(0, middle, (1.0, 1.0)), Stretch(middle, both.shape[1], (1.0, 1.0)))
    album = integrated_lufs(table, *pieces)
    assert album == pytest.approx(libebur128_lufs(both, 48_000), abs=0.01)
    blocks = [block_energies(table, piece, length_s=0.4, step_s=0.1) for piece in pieces]
    assert gated_lufs(np.concatenate(blocks)) == album


@settings(max_examples=10, deadline=None)
@given(st.lists(st.integers(0, 30_000), max_size=12))
def test_blocks_of_any_length_give_the_same_table(lengths: list[int]) -> None:
    music = music_like(44_100, 3)
    expected = loudness_of(music, 44_100)
    meter, at = LoudnessMeter(44_100, 2), 0
    for length in (*lengths, music.shape[1]):
        meter.update(music[:, at : at + length])
        at += length
    found = meter.finish()
    assert np.array_equal(found.energy, expected.energy)
    assert found.frames == expected.frames


def test_silence_and_nothing_have_no_loudness() -> None:
    silence = np.zeros((2, 48_000), np.float32)
    table = loudness_of(silence)
    assert integrated_lufs(table, whole(silence)) is None
    assert loudness_range_lu(table, whole(silence)) is None
    assert integrated_lufs(table, Stretch(100, 100, (1.0, 1.0))) is None
    assert integrated_lufs(table) is None
    assert LoudnessMeter(48_000, 2).finish().energy.shape == (2, 0)


def test_mono_reads_3_lu_less_than_the_same_in_two_channels() -> None:
    music = music_like(48_000, 5)[:1]
    both = np.concatenate((music, music))
    one = integrated_lufs(loudness_of(music), whole(music))
    two = integrated_lufs(loudness_of(both), whole(both))
    assert one is not None
    assert two == pytest.approx(one + 10 * np.log10(2), abs=1e-4)


def test_a_constant_does_not_count() -> None:
    music = music_like(48_000, 5)
    assert integrated_lufs(loudness_of(music + np.float32(0.2)), whole(music)) == pytest.approx(
        libebur128_lufs(music + np.float32(0.2), 48_000), abs=1e-3
    )


def test_gains_must_fit_the_channels() -> None:
    table = loudness_of(np.zeros((2, 4800), np.float32))
    with pytest.raises(ValueError, match="1 gains for 2 channels"):
        integrated_lufs(table, Stretch(0, 4800, (1.0,)))
