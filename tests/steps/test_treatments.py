"""The steps that run before measuring: dc, rumble, equalisation, mono, speed."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

import plan_parts
from sidekeep.dsp.mono import MonoTable, mono_table
from sidekeep.dsp.treatment import Treatment
from sidekeep.model import Sheet
from sidekeep.steps import dc, equalisation, mono, rumble, speed
from sidekeep.steps.step import Step

RATE_HZ = 44_100
NOTHING_SEEN: Any = SimpleNamespace(mono=MonoTable())


def tone(hz: float, seconds: float = 3.0) -> np.ndarray:
    one = np.sin(2 * np.pi * hz * np.arange(round(seconds * RATE_HZ)) / RATE_HZ)
    return np.stack((one, one))


def treated(step: Step, settings: object, signal: np.ndarray) -> np.ndarray:
    assert step.treat is not None
    treatment = step.treat(plan_parts.recording(), plan_parts.sheet(), settings)
    assert treatment is not None
    out = np.concatenate((treatment.process(signal), treatment.flush()), axis=1)
    assert len(out) == treatment.channels_out
    assert treatment.note
    return out


def gain_db(step: Step, settings: object, hz: float) -> float:
    out = treated(step, settings, tone(hz))[:, RATE_HZ:]
    return float(20 * np.log10(np.sqrt(2 * np.mean(out**2))))


def test_dc_takes_out_a_constant_and_leaves_the_bass() -> None:
    out = treated(dc.STEP, dc.Settings(), tone(40) * 0.1 + np.array([[0.3], [-0.02]]))
    assert np.abs(out.mean(axis=1)).max() < 1e-3
    assert gain_db(dc.STEP, dc.Settings(), 20) == pytest.approx(0, abs=0.02)


def test_dc_at_the_corner() -> None:
    """Closed form: a first-order high-pass is 3.01 dB down at its corner."""
    settings = dc.Settings(corner_hz=5.0)
    assert gain_db(dc.STEP, settings, 5.0) == pytest.approx(-3.01, abs=0.1)


@pytest.mark.parametrize("order", [1, 2, 4, 5, 8])
def test_rumble_filter(order: int) -> None:
    """Closed form: Butterworth, -10 lg(1 + (corner / f)^(2 order))."""
    settings = rumble.Settings(corner_hz=30.0, order=order)
    for hz in (20.0, 30.0, 60.0):
        wanted_db = -10 * np.log10(1 + (30.0 / hz) ** (2 * order))
        assert gain_db(rumble.STEP, settings, hz) == pytest.approx(wanted_db, abs=0.05)


@pytest.mark.parametrize(
    ("curve", "hz", "wanted_db"),
    # The table of the playback curve, dB against 1 kHz (see the tests of `dsp.playback_eq`).
    [("riaa", 100, 13.088), ("riaa", 10_000, -13.734), ("iec", 20, 16.261), ("coarse", 1000, 0.0)],
)
def test_equalisation(curve: str, hz: float, wanted_db: float) -> None:
    settings = equalisation.Settings(curve=curve)
    assert gain_db(equalisation.STEP, settings, hz) == pytest.approx(wanted_db, abs=0.05)


def test_mono_sums_two_channels_and_leaves_one_alone() -> None:
    signal = tone(100)
    signal[1] *= 0.5
    out = treated(mono.STEP, mono.Settings(), signal)
    np.testing.assert_allclose(out, 0.75 * signal[:1])
    one = plan_parts.recording()
    one = type(one)(one.parts, "wav", "int", 24, RATE_HZ, 1, one.frames)
    assert mono.treat(one, Sheet(), mono.Settings()) is None


def test_mono_notes_the_gain_in_signal_to_noise() -> None:
    """Closed form: programme equal in both channels, groove noise independent in each."""
    noise = 0.01 * np.random.default_rng(1).standard_normal((2, 10 * RATE_HZ))
    noise[:, 3 * RATE_HZ :] += tone(300, 7)
    treatment = mono.treat(plan_parts.recording(), Sheet(), mono.Settings())
    assert treatment is not None
    treatment.process(noise)
    seen: Any = SimpleNamespace(mono=mono_table([treatment]))
    (decision,) = mono.decide(plan_parts.plan(), seen, mono.Settings()).decisions
    assert decision.event == "made_mono"
    assert decision.numbers["snr_gain_db"] == pytest.approx(3.01, abs=0.05)


def factor(sheet_rpm: float | None = None, **settings: float) -> float | None:
    given = speed.Settings(**settings)
    treatment: Treatment | None = speed.treat(plan_parts.recording(), Sheet(rpm=sheet_rpm), given)
    return None if treatment is None else treatment.time_scale


def test_speed_between_turntable_and_record() -> None:
    """Closed form: the ratio of the speeds; 78 is 7200 / 92 rpm, the stroboscope at 60 Hz."""
    assert factor(played_rpm=45, cut_rpm=33) == pytest.approx(100 / 135)
    assert factor(played_rpm=33, cut_rpm=45) == pytest.approx(1.35)
    assert factor(played_rpm=45, cut_rpm=78) == pytest.approx(7200 / 92 / 45)
    assert factor(played_rpm=45, cut_rpm=77.92) == pytest.approx(77.92 / 45)
    assert factor(sheet_rpm=33, played_rpm=45) == pytest.approx(100 / 135)
    assert factor(fine_percent=0.5) == pytest.approx(1.005)
    assert factor(played_rpm=45, cut_rpm=33, fine_percent=-1) == pytest.approx(0.99 * 100 / 135)


def test_speed_that_is_right_is_left_alone() -> None:
    assert factor() is None
    assert factor(played_rpm=33, cut_rpm=100 / 3) is None
    assert factor(sheet_rpm=45, played_rpm=45) is None
    assert factor(played_rpm=45) is None


@pytest.mark.parametrize(
    ("step", "settings", "event"),
    [
        (dc.STEP, dc.Settings(), "offset_removed"),
        (rumble.STEP, rumble.Settings(), "rumble_filtered"),
        (equalisation.STEP, equalisation.Settings(), "equalised"),
        (mono.STEP, mono.Settings(), "was_mono"),
        (speed.STEP, speed.Settings(fine_percent=1.0), "speed_corrected"),
    ],
)
def test_each_notes_what_it_did(step: Step, settings: object, event: str) -> None:
    draft = plan_parts.plan()
    decided = step.decide(draft, NOTHING_SEEN, settings)
    (decision,) = decided.decisions
    assert (decision.step, decision.event) == (step.name, event)
    assert decided.sides == draft.sides


def test_speed_notes_nothing_when_nothing_was_done() -> None:
    draft = plan_parts.plan()
    assert speed.STEP.decide(draft, NOTHING_SEEN, speed.Settings()) == draft
