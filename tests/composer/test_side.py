"""Tests of composed sides: the truth must be true, and the physics must be there."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from composer import (
    Applause,
    Band,
    Chamber,
    ComposedSide,
    Electronics,
    Groove,
    Loop,
    SideSpec,
    Solo,
    Speech,
    Track,
    compose,
    join,
)

RATE_HZ = 44_100


@pytest.fixture(scope="module")
def side() -> ComposedSide:
    tracks = (
        Track("One", Band(), 12.0, gap_s=2.0),
        Track("Two", Solo(), 10.0, fade_in_s=3.0, fade_out_s=4.0),
    )
    return compose(SideSpec(tracks, locked_s=9.0, imbalance_db=2.0, peak_dbfs=-6.0))


def level_db(side: ComposedSide, start_s: float, end_s: float) -> NDArray[np.float64]:
    part = side.samples[:, round(start_s * side.rate_hz) : round(end_s * side.rate_hz)]
    decibels: NDArray[np.float64] = 10 * np.log10(np.mean(np.square(part), axis=1))
    return decibels


def test_the_same_spec_gives_the_same_samples(side: ComposedSide) -> None:
    spec = SideSpec((Track("One", Chamber(), 3.0),), seed=5, locked_s=2.0)
    assert np.array_equal(compose(spec).samples, compose(spec).samples)


def test_another_seed_gives_other_samples() -> None:
    first, second = (
        compose(SideSpec((Track("One", Chamber(), 3.0),), seed=seed, locked_s=2.0))
        for seed in (1, 2)
    )
    assert not np.allclose(first.samples, second.samples)


def test_the_parts_of_a_side_have_the_levels_that_were_asked_for(side: ComposedSide) -> None:
    truth = side.truth
    needle_up = level_db(side, 0.2, truth.needle_down_s - 0.1).mean()
    lead_in = level_db(side, truth.needle_down_s + 0.8, truth.programme_start_s).mean()
    assert needle_up == pytest.approx(-84, abs=0.5)
    assert lead_in == pytest.approx(-60, abs=2.5)
    first = round(truth.programme_start_s * RATE_HZ)
    peak = np.abs(side.samples[:, first : round(truth.programme_end_s * RATE_HZ)]).max()
    assert 20 * np.log10(peak) == pytest.approx(-6, abs=0.2)


def test_groove_noise_stands_as_far_apart_as_the_channels(side: ComposedSide) -> None:
    left, right = level_db(side, side.truth.needle_down_s + 0.8, side.truth.programme_start_s)
    assert left - right == pytest.approx(2.0, abs=0.8)


def test_groove_noise_has_the_colour_of_the_playback_curve(side: ComposedSide) -> None:
    bed = compose(
        SideSpec((Track("One", Solo(), 1.0),), lead_in_s=20, groove=Groove(crackle_per_s=0))
    )
    noise = bed.samples[0, 4 * RATE_HZ : 20 * RATE_HZ]
    power = np.abs(np.fft.rfft(noise)) ** 2
    hertz = np.fft.rfftfreq(noise.size, 1 / RATE_HZ)

    def density_db(low_hz: float, high_hz: float) -> float:
        inside = (hertz >= low_hz) & (hertz < high_hz)
        return float(10 * np.log10(power[inside].mean()))

    # IEC 60098:1987 gives +13.1 dB at 100 Hz and -13.7 dB at 10 kHz, against 1 kHz.
    at_1k_db = density_db(900, 1100)
    assert density_db(90, 110) - at_1k_db == pytest.approx(13.1, abs=1.2)
    assert density_db(9000, 11000) - at_1k_db == pytest.approx(-13.7, abs=1.5)


def test_the_locked_groove_repeats_every_revolution(side: ComposedSide) -> None:
    assert side.truth.locked_s is not None
    turn, start = round(1.8 * RATE_HZ), round(side.truth.locked_s * RATE_HZ)
    once, again = (side.samples[0, start + k * turn : start + (k + 1) * turn] for k in (1, 2))
    assert np.corrcoef(once, again)[0, 1] > 0.98
    lead_in = side.samples[0, round(2.6 * RATE_HZ) :]
    assert abs(np.corrcoef(lead_in[:turn], lead_in[turn : 2 * turn])[0, 1]) < 0.5


def test_fades_begin_later_and_end_earlier_to_the_ear(side: ComposedSide) -> None:
    first, second = side.truth.tracks
    assert first.audible_start_s == pytest.approx(first.start_s, abs=0.03)
    assert second.start_s < second.audible_start_s < second.start_s + 3
    assert second.end_s - 4 < second.audible_end_s < second.end_s


def test_gaps_lie_between_what_is_heard(side: ComposedSide) -> None:
    first, second = side.truth.tracks
    assert side.truth.gaps == ((first.audible_end_s, second.audible_start_s),)
    assert side.truth.gaps[0][1] - side.truth.gaps[0][0] > 2.0


def test_interludes_are_programme_but_no_tracks() -> None:
    clapping = Track("Applause", Applause(), 4.0, gap_s=0, interlude=True)
    spec = SideSpec((Track("One", Band(), 5.0, gap_s=0), clapping, Track("Two", Band(), 5.0)))
    truth = compose(spec).truth
    assert [track.title for track in truth.named] == ["One", "Two"]
    assert truth.gaps[0][1] - truth.gaps[0][0] == pytest.approx(4.0, abs=0.3)


def test_a_needle_dropped_late_leaves_no_lead_in() -> None:
    truth = compose(SideSpec((Track("One", Band(), 8.0),), lead_in_s=-2.0, locked_s=2)).truth
    assert truth.programme_start_s == pytest.approx(truth.needle_down_s, abs=0.05)


def test_a_needle_lifted_early_never_reaches_the_locked_groove() -> None:
    truth = compose(SideSpec((Track("One", Band(), 8.0),), run_out_s=-2.0)).truth
    assert truth.locked_s is None
    assert truth.programme_end_s == pytest.approx(truth.needle_up_s, abs=0.3)


def test_electronics_are_heard_with_the_needle_up() -> None:
    electronics = Electronics(hum_dbfs=-60, dc=(0.01, -0.02))
    side = compose(SideSpec((Track("One", Band(), 3.0),), electronics=electronics))
    needle_up = side.samples[:, : RATE_HZ // 50 * 50]
    assert needle_up.mean(axis=1) == pytest.approx([0.01, -0.02], abs=1e-3)
    spectrum = np.abs(np.fft.rfft(needle_up[0] - needle_up[0].mean()))
    assert np.argmax(spectrum) * RATE_HZ / needle_up.shape[1] == pytest.approx(50, abs=1)


def test_two_sides_on_one_recording_keep_their_places(side: ComposedSide) -> None:
    both = join(side, side, between_s=5.0)
    assert len(both.truth.tracks) == 4
    offset_s = side.truth.duration_s + 5.0
    later = both.truth.tracks[2]
    assert later.start_s == pytest.approx(side.truth.tracks[0].start_s + offset_s, abs=1e-4)


@pytest.mark.parametrize(
    "programme",
    [Band(), Loop(), Chamber(), Solo(), Speech(), Applause()],
    ids=lambda p: type(p).__name__,
)
def test_a_programme_sounds_from_its_first_tenth_of_a_second_on(programme: Band) -> None:
    sound = programme.render(RATE_HZ, 4 * RATE_HZ, np.random.default_rng(3))
    assert sound.shape == (2, 4 * RATE_HZ)
    assert np.abs(sound[:, : RATE_HZ // 10]).max() > 0.003 * np.abs(sound).max()


def test_one_bar_of_a_loop_at_133_bpm_is_one_revolution() -> None:
    sound = Loop().render(RATE_HZ, 8 * RATE_HZ, np.random.default_rng(3))
    turn = round(1.8 * RATE_HZ)
    assert np.array_equal(sound[:, :turn], sound[:, turn : 2 * turn])
