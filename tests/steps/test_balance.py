"""What is taken off one channel, and when nothing is."""

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from numpy.typing import NDArray

from plan_parts import plan, side
from sidekeep.measurements import Measurements
from sidekeep.model import Balance, Span
from sidekeep.steps.balance import STEP, Settings
from stereo_mixes import RATE_HZ, SECONDS, band_mix, image_of, notes, placed, transferred

MUSIC = Span(3 * RATE_HZ, (3 + SECONDS) * RATE_HZ)
GROOVE = (Span(0, MUSIC.start), Span(MUSIC.end, MUSIC.end + 3 * RATE_HZ))


def decided(
    signal: NDArray[np.float32],
    settings: Settings | None = None,
    groove: tuple[Span, ...] = GROOVE,
) -> Balance:
    seen = cast("Measurements", SimpleNamespace(channels=len(signal), image=image_of(signal)))
    draft = plan(replace(side(), programme=MUSIC, groove=groove))
    done = STEP.decide(draft, seen, settings or Settings())
    (noted,) = done.decisions
    balance = done.sides[0].balance
    assert balance is not None
    assert noted.event == "balance_decided"
    assert noted.numbers["applied_db"] == balance.applied_db
    return balance


def lone(place_db: float, imbalance_db: float, noise_dbfs: float = -66.0) -> NDArray[np.float32]:
    return transferred(placed(notes(1, 80, 400), place_db), imbalance_db, noise_dbfs)


@pytest.mark.parametrize("imbalance_db", [-2.5, 1.0])
def test_the_imbalance_is_taken_off_positive_when_left_is_louder(imbalance_db: float) -> None:
    balance = decided(band_mix(imbalance_db))
    assert balance.measured_db == pytest.approx(imbalance_db, abs=0.05)
    assert balance.applied_db == balance.measured_db
    assert balance.evidence > 0.5
    assert ("left" if imbalance_db > 0 else "right") in balance.reason


def test_a_small_imbalance_is_left_alone() -> None:
    balance = decided(band_mix(0.05))
    assert balance.measured_db == pytest.approx(0.05, abs=0.03)
    assert balance.applied_db == 0.0
    assert decided(band_mix(0.05), Settings(smallest_db=0.0)).applied_db != 0.0


def test_the_limit_bounds_the_correction_and_is_noted() -> None:
    balance = decided(band_mix(4.0))
    assert balance.measured_db == pytest.approx(4.0, abs=0.05)
    assert balance.applied_db == 3.0
    assert "limit of 3 dB" in balance.reason
    assert decided(band_mix(-4.0), Settings(limit_db=1.5)).applied_db == -1.5


def test_without_a_centre_nothing_is_done() -> None:
    wide = np.random.default_rng(3).standard_normal((2, SECONDS * RATE_HZ))
    balance = decided(transferred(wide, 2.0))
    assert balance.measured_db is None
    assert balance.applied_db == 0.0
    assert balance.reason.startswith("left alone")


def test_more_evidence_may_be_asked_for() -> None:
    assert decided(band_mix(1.0)).measured_db is not None
    strict = decided(band_mix(1.0, noise_dbfs=-50), Settings(least_evidence=1.0))
    assert strict.measured_db is None
    assert 0.5 < strict.evidence < 1.0


@pytest.mark.parametrize("place_db", [-2.5, 1.5, 4.5])
def test_one_instrument_off_centre_is_the_mix(place_db: float) -> None:
    balance = decided(lone(place_db, 0.0))
    assert balance.measured_db is None
    assert balance.applied_db == 0.0
    assert "taken for the mix" in balance.reason
    assert "groove noise stands" in balance.reason
    assert "no groove noise" in decided(lone(place_db, 0.0), groove=()).reason


@pytest.mark.parametrize("noise_dbfs", [-54.0, -48.0])
def test_groove_noise_over_it_does_not_make_it_many(noise_dbfs: float) -> None:
    assert decided(lone(-2.6, -2.2, noise_dbfs)).applied_db == 0.0


def test_an_instrument_whose_place_hides_the_imbalance_is_the_mix_too() -> None:
    assert decided(lone(-4.0, 3.8)).measured_db is None


@pytest.mark.parametrize("imbalance_db", [-2.5, 0.0, 0.6, 2.0])
def test_a_mono_record_is_levelled_when_the_groove_leans_as_well(imbalance_db: float) -> None:
    balance = decided(lone(0.0, imbalance_db))
    assert balance.measured_db == pytest.approx(imbalance_db, abs=0.05)


def test_a_mono_record_near_the_middle_needs_no_groove() -> None:
    assert decided(lone(0.0, 0.5), groove=()).applied_db == pytest.approx(0.5, abs=0.05)


def test_a_groove_that_stands_far_elsewhere_speaks_against_any_centre() -> None:
    signal = band_mix(0.0).copy()
    signal[0, : MUSIC.start] *= 2
    signal[0, MUSIC.end :] *= 2
    assert decided(signal).measured_db is None


def test_one_channel_has_no_balance() -> None:
    balance = decided(band_mix()[:1])
    assert balance == Balance(None, 0.0, 0.0, "left alone: the recording has one channel")
