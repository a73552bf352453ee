import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidekeep.dsp.boundaries import Place, find_ways


def place(cut_s: float, odds: float = 2.0) -> Place:
    return Place(cut_s - 1.5, cut_s, cut_s + 0.5, odds)


PLACES = (place(60), place(100, -2.0), place(150), place(230))


def test_a_number_of_tracks_takes_the_likeliest_gaps() -> None:
    best, second = find_ways(0, 300, PLACES, (None,) * 4, tolerance=0.1)[:2]
    assert best.cuts_s == (60, 150, 230)
    assert second.cost - best.cost > 3


def test_more_tracks_than_gaps_allow_is_no_way() -> None:
    assert find_ways(0, 300, PLACES, (None,) * 6, tolerance=0.1) == ()


def test_lengths_choose_the_gap_that_the_ear_would_not() -> None:
    (best, *_) = find_ways(0, 300, PLACES, (100, 50, 150), tolerance=0.1)
    assert best.cuts_s == (100, 150)


@pytest.mark.parametrize("music_only", [False, True])
def test_lengths_from_cut_to_cut_or_of_the_music_alone(music_only: bool) -> None:
    lengths_s = (58.5, 88, 78, 69.5) if music_only else (60, 90, 80, 70)
    (best, *_) = find_ways(0, 300, PLACES, lengths_s, tolerance=0.02)
    assert best.cuts_s == (60, 150, 230)


def test_a_length_that_is_off_by_more_than_the_tolerance_is_not_laid_on_gaps() -> None:
    ways = find_ways(0, 300, PLACES, (70, 80, 80, 70), tolerance=0.1)
    assert all(None in way.places for way in ways)
    assert find_ways(0, 300, PLACES, (70, 80, 80, 110), tolerance=0.1) == ()


def test_a_segue_is_laid_by_the_lengths_between_its_gaps() -> None:
    (best, *_) = find_ways(0, 230, (place(60),), (60, 90, 80), tolerance=0.1)
    assert best.places == (0, None)
    assert best.cuts_s[1] == pytest.approx(150, abs=0.5)


def test_a_deck_that_ran_fast_is_allowed_for() -> None:
    speeds = (0.97, 0.985, 1.0, 1.015, 1.03)
    (best, *_) = find_ways(0, 230 / 1.03, (), (60, 90, 80), tolerance=0.02, speeds=speeds)
    assert best.cuts_s == pytest.approx((60 / 1.03, 150 / 1.03), abs=0.6)


@given(st.lists(st.floats(15, 200), min_size=1, max_size=9))
def test_true_lengths_find_their_own_cuts(lengths_s: list[float]) -> None:
    cuts_s = list(itertools.accumulate(lengths_s))
    places = [place(cut_s) for cut_s in cuts_s[:-1]]
    (best, *_) = find_ways(0, cuts_s[-1], places, lengths_s, tolerance=0.05)
    assert best.cuts_s == pytest.approx(cuts_s[:-1])
