import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep.dsp import reading
from sidekeep.dsp.boundaries import Place
from sidekeep.dsp.reading import Readings


def place(cut_s: float, odds: float) -> Place:
    return Place(cut_s - 1.0, cut_s, cut_s + 1.0, odds)


def weights(end_s: float, places: list[Place]) -> dict[tuple[int, ...], float]:
    """Every choice of cuts with its weight, one by one: the slow second implementation."""
    found = {}
    for chosen in itertools.chain.from_iterable(
        itertools.combinations(range(len(places)), size) for size in range(len(places) + 1)
    ):
        cuts_s = [0.0, *(places[one].cut_s for one in chosen), end_s]
        lengths_s = np.diff(cuts_s)
        weight = 0.0
        for index, one in enumerate(places):
            odds = one.odds if index in chosen else -one.odds
            weight -= math.log1p(math.exp(-odds))
        total = 0.0
        for typical_s in reading.TYPICAL_S:
            off = np.log(lengths_s / typical_s) / reading.SPREAD
            cost = np.minimum(off**2 / 2, reading.STRANGE) - reading.ORDINARY
            cost += reading.SHORT * np.maximum(reading.USUAL_TRACK_S - lengths_s, 0)
            total += math.exp(weight - float(cost.sum()))
        found[chosen] = math.log(total)
    return found


@settings(deadline=None, max_examples=30)
@given(st.lists(st.tuples(st.floats(3, 90), st.floats(-6, 6)), min_size=1, max_size=6))
def test_sums_over_all_ways_agree_with_trying_them_one_by_one(
    gaps: list[tuple[float, float]],
) -> None:
    ends_s = list(itertools.accumulate(length_s for length_s, _ in gaps))
    places = [place(at_s, odds) for at_s, (_, odds) in zip(ends_s, gaps, strict=True)]
    end_s = ends_s[-1] + 40
    readings, slow = Readings(0, end_s, places), weights(end_s, places)
    for tracks in range(1, len(places) + 2):
        ways = {cuts: weight for cuts, weight in slow.items() if len(cuts) == tracks - 1}
        fast = readings.of(tracks)
        assert fast is not None
        total = np.logaddexp.reduce(list(ways.values()))
        assert fast.weight == pytest.approx(total, abs=1e-6)
        for index, odds in enumerate(fast.odds):
            share = sum(math.exp(w - total) for cuts, w in ways.items() if index in cuts)
            assert 1 / (1 + math.exp(-odds)) == pytest.approx(share, abs=1e-6)
    total = np.logaddexp.reduce(list(slow.values()))
    for index, odds in enumerate(readings.of_any().odds):
        share = sum(math.exp(w - total) for cuts, w in slow.items() if index in cuts)
        assert 1 / (1 + math.exp(-odds)) == pytest.approx(share, abs=1e-6)


PLACES = [place(60, 3.0), place(100, -2.0), place(150, 2.5), place(230, 4.0)]


def test_the_likeliest_cuts_are_taken() -> None:
    readings = Readings(0, 300, PLACES)
    assert readings.of_any().cuts == (0, 2, 3)
    three = readings.of(3)
    assert three is not None
    assert three.cuts in {(0, 3), (2, 3)}
    likeliest, more = readings.likeliest(), readings.likeliest(more_than=4)
    assert likeliest is not None
    assert more is not None
    assert likeliest.cuts == (0, 2, 3)
    assert more.cuts == (0, 1, 2, 3)
    assert likeliest.weight > more.weight


def test_more_tracks_than_gaps_allow_is_no_reading() -> None:
    readings = Readings(0, 300, PLACES)
    assert readings.of(6) is None
    assert readings.of(0) is None
    assert readings.likeliest(more_than=5) is None


def test_a_gap_that_leaves_a_short_track_is_less_likely() -> None:
    def odds(cut_s: float) -> float:
        return Readings(0, 200, [place(cut_s, 1.0)]).of_any().odds[0]

    assert odds(10) < odds(100) - 2


def test_a_side_without_gaps_is_one_track() -> None:
    only = Readings(0, 200, []).of_any()
    assert (only.cuts, only.odds) == ((), ())


def test_forty_gaps_are_read_in_no_time() -> None:
    places = [place(30.0 * one, (-1.0) ** one) for one in range(1, 41)]
    assert len(Readings(0, 1300, places).of_any().odds) == 40
