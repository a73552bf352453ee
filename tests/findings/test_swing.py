"""The arm swings when the stylus jumps: in what the composer adds, and as it is told from knocks."""

import numpy as np
import pytest
from scipy import signal

from composer import Band, Chamber
from composer.faults import FAULTS
from composer.noise import arm_swing
from findings_rig import findings, scene, side_of
from sidekeep.findings.swing import Swings
from sidekeep.model import Severity

PLACE_S = 17.3


def test_the_composed_swing_is_no_larger_than_a_jump_across_one_groove_gives() -> None:
    """0.1 mm at 10 Hz, played back by IEC 60098:1987 (3180, 318, 75 us and 7950 us), against 100 mm/s.

    Pitch and level of a loud cut: common practice, no source.
    """

    def playback_db(hz: float) -> float:
        turns = 2j * np.pi * hz
        gain = (1 + 318e-6 * turns) / ((1 + 3180e-6 * turns) * (1 + 75e-6 * turns))
        return float(20 * np.log10(abs(gain * 7950e-6 * turns / (1 + 7950e-6 * turns))))

    swing_mm_s = 2 * np.pi * 10 * 0.1 * 10 ** ((playback_db(10) - playback_db(1000)) / 20)
    side = side_of(Chamber(key=2))
    loud = np.abs(side.samples).max()
    jumped = FAULTS["skip"](side, PLACE_S, 1.0, 5)
    place = round(PLACE_S * side.rate_hz)
    sections = signal.butter(2, 20, "lowpass", fs=side.rate_hz, output="sos")
    around = jumped.samples[:, place - side.rate_hz : place + side.rate_hz]
    swing = np.abs(signal.sosfiltfilt(sections, around, axis=1)).max()
    assert 0.2 * swing_mm_s / 100 < swing / loud < swing_mm_s / 100


def test_the_composed_swing_is_at_the_resonance_of_an_arm() -> None:
    rate_hz = 8000
    for seed in range(4):
        swing = arm_swing(rate_hz, np.random.default_rng(seed), peak_dbfs=-20.0)
        assert np.abs(swing).max() == pytest.approx(0.1)
        spectrum = np.abs(np.fft.rfft(swing[0], 16 * rate_hz))
        assert 7.0 < spectrum.argmax() / 16 < 12.5  # 8 to 12 Hz: common practice, no source


@pytest.mark.parametrize("programme", [Band(104, key=2), Chamber(key=2)], ids=["band", "strings"])
def test_a_jump_is_where_the_arm_begins_to_swing(programme: Band | Chamber) -> None:
    side = side_of(programme)
    assert Swings(scene(side)).places() == []
    jumped = scene(FAULTS["skip"](side, PLACE_S, 1.0, 5))
    (landed,) = Swings(jumped).places()
    assert round(PLACE_S * jumped.ticks_per_second) in landed
    assert len(landed) <= 40


def test_a_jump_is_told_where_it_lands_in_what_is_louder() -> None:
    """The swing itself is not taken for music that begins."""
    jumped = FAULTS["skip"](side_of(Chamber(key=2)), PLACE_S, 2.0, 5)
    assert "skip" in {one.kind for one in findings(jumped)}


def test_a_knock_at_the_shelf_is_no_sure_jump() -> None:
    for programme in (Band(104, key=2), Chamber(key=2)):
        knocked = FAULTS["thump"](side_of(programme), PLACE_S, 2.0, 5)
        assert "thumps" in {one.kind for one in findings(knocked)}
        assert "skip" not in {
            one.kind for one in findings(knocked) if one.severity is Severity.AGAIN
        }


def test_where_a_filter_took_the_swing_a_jump_is_still_told_by_what_is_heard() -> None:
    """A subsonic filter of third order at 20 Hz is usual in preamplifiers (common practice, no source)."""
    jumped = FAULTS["skip"](side_of(Chamber(key=2)), PLACE_S, 2.0, 5)
    sections = signal.butter(3, 20, "highpass", fs=jumped.rate_hz, output="sos")
    filtered = jumped.with_samples(signal.sosfilt(sections, jumped.samples, axis=1))
    (found,) = (one for one in findings(filtered) if one.kind in {"skip", "dropout"})
    assert found.kind == "skip"
