import numpy as np
import pytest

import spun
from sidekeep.model import Outcome, Plan, Sheet, SheetTrack
from sidekeep.steps import trim

SETTINGS = trim.Settings()


def trimmed(audio: spun.Audio, draft: Plan | None = None) -> Plan:
    return trim.decide(draft or spun.plan(audio), spun.seen(audio), SETTINGS)


def seconds(frame: int) -> float:
    return frame / spun.RATE_HZ


def test_the_programme_is_kept_with_its_padding_and_the_rest_goes() -> None:
    (side,) = trimmed(spun.played([spun.tune(12.0)])).sides
    assert seconds(side.programme.start) == pytest.approx(3.5, abs=0.25)
    assert seconds(side.programme.end) == pytest.approx(15.5, abs=0.25)
    assert side.programme.start <= 3.5 * spun.RATE_HZ
    assert side.programme.end >= 15.5 * spun.RATE_HZ
    assert seconds(side.programme.start - side.trimmed.start) == pytest.approx(0.5, abs=0.01)
    assert seconds(side.trimmed.end - side.programme.end) == pytest.approx(2.5, abs=0.01)
    assert side.groove


def test_fades_stay_outside_the_programme() -> None:
    (side,) = trimmed(spun.played([spun.tune(12.0)])).sides
    assert side.fade_in_frames <= side.programme.start - side.trimmed.start
    assert 0 < side.fade_out_frames <= side.trimmed.end - side.programme.end


def test_a_needle_dropped_into_the_music_starts_it_there() -> None:
    audio = spun.played([spun.tune(12.0)], lead_in_s=0.0)
    (side,) = trimmed(audio).sides
    assert seconds(side.programme.start) == pytest.approx(1.5, abs=0.25)
    assert side.trimmed.start >= side.needle_down.start
    assert side.trimmed.start <= 1.5 * spun.RATE_HZ


def test_ten_minutes_of_run_out_go() -> None:
    audio = spun.played([spun.tune(12.0)], run_out_s=6.0)
    turn = audio[:, -6 * spun.RATE_HZ : -2 * spun.RATE_HZ]
    long = np.concatenate((audio[:, : -2 * spun.RATE_HZ], np.tile(turn, (1, 150))), axis=1)
    (side,) = trimmed(long).sides
    assert seconds(side.trimmed.end) < 15.5 + 4


def test_the_second_play_takes_the_sheets_next_side() -> None:
    one, two = (spun.played([spun.tune(14.0, key=key)]) for key in (0, 3))
    audio = np.concatenate((one, spun.noise(5.0, spun.UP, 9), two), axis=1)
    draft = spun.plan(audio, [SheetTrack("Ebb")])
    sheet = Sheet(sides={"A": (SheetTrack("Ebb"),), "B": (SheetTrack("Neap"),)})
    known = trimmed(audio, Plan("job", draft.recording, "", "", sheet, sides=draft.sides))
    assert [side.label for side in known.sides] == ["A", "B"]
    assert known.outcome is Outcome.FILE
    unknown = trimmed(audio)
    assert len(unknown.sides) == 2
    assert unknown.outcome is Outcome.HOLD
    assert "2 plays" in unknown.reasons[0]


def test_a_false_start_is_left_out() -> None:
    start = spun.played([spun.tune(9.0)], run_out_s=0.0)
    audio = np.concatenate((start, spun.noise(3.0, spun.UP, 9), spun.played([spun.tune(40.0)])), 1)
    plan = trimmed(audio)
    (side,) = plan.sides
    assert seconds(side.programme.frames) == pytest.approx(40, abs=0.5)
    assert any(decision.event == "false_starts_left_out" for decision in plan.decisions)


def test_noise_alone_is_held() -> None:
    plan = trimmed(spun.noise(20.0))
    assert plan.outcome is Outcome.HOLD
    assert "no programme" in plan.reasons[0]


def test_the_decision_says_its_numbers() -> None:
    plan = trimmed(spun.played([spun.tune(12.0)]))
    (decision,) = plan.decisions
    assert decision.event == "programme_found"
    assert decision.numbers["drop_seen"] is True
    assert decision.numbers["programme_start_s"] == pytest.approx(3.5, abs=0.25)


def test_a_slow_entry_gets_more_groove_before_it() -> None:
    part = spun.faded(spun.tune(30.0), in_s=20.0)
    (side,) = trimmed(spun.played([part], lead_in_s=4.0)).sides
    kept_s = seconds(side.programme.start - side.trimmed.start)
    assert SETTINGS.before_s + 0.1 < kept_s <= SETTINGS.before_s + 1.5 + 0.02
    assert side.fade_in_frames <= side.programme.start - side.trimmed.start
