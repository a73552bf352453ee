"""Pauses that grow."""

from __future__ import annotations

from sidekeep.service.pauses import Pauses


def test_pauses_double_up_to_an_hour() -> None:
    pauses = Pauses()
    lengths = [pauses.fail("job", 0.0) for _ in range(8)]
    assert lengths == [60, 120, 240, 480, 960, 1920, 3600, 3600]


def test_a_pause_ends_at_its_time_and_only_for_its_name() -> None:
    pauses = Pauses()
    pauses.fail("job", 100.0)
    assert not pauses.over("job", 159.9)
    assert pauses.over("job", 160.0)
    assert pauses.over("other", 100.0)
    assert pauses.next_s() == 160.0


def test_success_begins_anew() -> None:
    pauses = Pauses()
    pauses.fail("job", 0.0)
    pauses.fail("job", 0.0)
    pauses.forget("job")
    assert pauses.next_s() is None
    assert pauses.fail("job", 0.0) == 60


def test_names_that_are_gone_are_forgotten() -> None:
    pauses = Pauses()
    pauses.fail("gone", 0.0)
    pauses.fail("here", 50.0)
    pauses.keep_only({"here"})
    assert pauses.next_s() == 110.0
