"""Tests of the faults: each does what it says, where it says."""

from __future__ import annotations

import numpy as np
import pytest

from composer import Band, ComposedSide, SideSpec, Track, compose
from composer.faults import FAULTS

RATE_HZ = 44_100
AT_S = 14.0


@pytest.fixture(scope="module")
def side() -> ComposedSide:
    tracks = (Track("One", Band(), 16.0, gap_s=2.0), Track("Two", Band(key=3), 8.0))
    return compose(SideSpec(tracks, locked_s=4.0))


def frame(time_s: float) -> int:
    return round(time_s * RATE_HZ)


@pytest.mark.parametrize("kind", FAULTS)
def test_every_fault_changes_the_sound_and_is_named_in_the_truth(
    side: ComposedSide, kind: str
) -> None:
    broken = FAULTS[kind](side, AT_S, 1.0, 7)
    (fault,) = broken.truth.faults
    assert 0 <= fault.start_s <= fault.end_s <= broken.truth.duration_s
    assert broken.truth.duration_s == pytest.approx(
        broken.samples.shape[1] / broken.rate_hz, abs=1e-3
    )
    same_length = broken.samples.shape == side.samples.shape
    assert not (same_length and np.array_equal(broken.samples, side.samples))
    again = FAULTS[kind](side, AT_S, 1.0, 7)
    assert np.array_equal(broken.samples, again.samples)


def test_a_locked_groove_repeats_one_turn_and_moves_what_follows(side: ComposedSide) -> None:
    broken = FAULTS["locked groove"](side, AT_S, 1.5, 7)
    turn = frame(1.8)
    before = broken.samples[0, frame(AT_S) - turn : frame(AT_S)]
    repeat = broken.samples[0, frame(AT_S) : frame(AT_S) + turn]
    still = slice(frame(0.5), -3000)  # the arm swings for half a second
    assert np.corrcoef(before[still], repeat[still])[0, 1] > 0.999
    moved_s = broken.truth.tracks[1].start_s - side.truth.tracks[1].start_s
    assert moved_s == pytest.approx(3 * 1.8, abs=1e-3)


def test_a_skip_joins_the_groove_one_turn_later(side: ComposedSide) -> None:
    broken = FAULTS["skip"](side, AT_S, 1.0, 7)
    after = broken.samples[:, frame(AT_S) + 24000 : frame(AT_S) + 36000]
    origin = side.samples[:, frame(AT_S) + 24000 + frame(1.8) : frame(AT_S) + 36000 + frame(1.8)]
    assert np.array_equal(after, origin)


def test_a_cut_start_leaves_no_groove_before_the_music(side: ComposedSide) -> None:
    broken = FAULTS["cut short, start"](side, AT_S, 1.0, 7)
    assert broken.truth.programme_start_s == 0.0
    lost_s = side.truth.duration_s - broken.truth.duration_s
    assert lost_s == pytest.approx(side.truth.programme_start_s + 2.0, abs=1e-3)


def test_a_slip_bends_the_tempo_where_it_says(side: ComposedSide) -> None:
    broken = FAULTS["slip"](side, AT_S, 1.0, 7)
    assert np.array_equal(broken.samples[:, : frame(AT_S)], side.samples[:, : frame(AT_S)])
    longer_s = broken.truth.duration_s - side.truth.duration_s
    assert longer_s == pytest.approx(2.5 * 0.03 / 2, abs=0.004)  # mean of a raised cosine is half


def test_clipping_reaches_full_scale_and_a_preamplifier_stays_below(side: ComposedSide) -> None:
    converter = FAULTS["converter clipping"](side, AT_S, 1.0, 7).samples
    preamplifier = FAULTS["preamplifier clipping"](side, AT_S, 1.0, 7).samples
    assert np.count_nonzero(np.abs(converter) == 1.0) > 20
    assert 0.45 < np.abs(preamplifier).max() < 0.55


def test_padded_words_lie_on_the_16_bit_grid(side: ComposedSide) -> None:
    words = FAULTS["padded words"](side, AT_S, 1.0, 7).samples * 2**15
    assert np.array_equal(words, np.round(words))


def test_twice_the_strength_is_more_of_the_same(side: ComposedSide) -> None:
    once, twice = (
        FAULTS["hum"](side, AT_S, strength, 7).samples - side.samples for strength in (1.0, 2.0)
    )
    assert 20 * np.log10(twice.std() / once.std()) == pytest.approx(6.0, abs=0.1)
