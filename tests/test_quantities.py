"""Numbers with units."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep.quantities import range_in_words, read_number, read_quantity
from sidekeep.settings import Measure

quickly = settings(max_examples=60, deadline=None, derandomize=True)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("-0.3 dBTP", "dBTP", -0.3),
        ("300 ms", "s", 0.3),
        ("0.8 s", "s", 0.8),
        ("4 min", "s", 240.0),
        ("1.5 h", "s", 5400.0),
        ("250 µs", "s", 0.00025),  # micro sign
        ("250 μs", "s", 0.00025),  # Greek mu
        ("2 s", "ms", 2000.0),
        ("44.1 kHz", "Hz", 44_100.0),
        ("3 dB", "dB", 3.0),
        ("-16 LUFS", "LUFS", -16.0),
        ("12 %", "%", 12.0),
        ("12%", "%", 12.0),
        ("5 cents", "cents", 5.0),
        ("1 cent", "cents", 1.0),
        ("20 Hz", "Hz", 20.0),
        ("+3dB", "dB", 3.0),
        ("−1 dBFS", "dBFS", -1.0),  # typographic minus
        ("-1 dbfs", "dBFS", -1.0),
        (".5 s", "s", 0.5),
        ("  7   ms ", "s", 0.007),
        ("2 GB", "MB", 2000.0),
        ("30 per minute", "per minute", 30.0),
        ("30 /min", "per minute", 30.0),
        ("1.5 turns", "turns", 1.5),
    ],
)
def test_values_are_exact(text: str, unit: str, value: float) -> None:
    assert read_quantity(text, units=(unit,), low=None, high=None) == Measure(value, unit)


def test_the_unit_chooses_the_meaning() -> None:
    units = ("dBTP", "dBFS", "LUFS")
    assert read_quantity("-14 LUFS", units=units, low=-60, high=0) == Measure(-14.0, "LUFS")
    assert read_quantity("-1 dBFS", units=units, low=-60, high=0) == Measure(-1.0, "dBFS")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("3", "the unit is missing: write '3 dB'"),
        ("3 s", "the unit 's' does not fit"),
        ("3 dBTP", "the unit 'dBTP' does not fit"),
        ("99 dB", "out of range"),
        ("-0.1 dB", "out of range"),
        ("0,5 dB", "decimal point, not a comma"),
        ("loud", "not a number"),
        ("", "not a number"),
        ("1e3 dB", "does not fit"),
        ("1.2.3 dB", "does not fit"),
        ("0x10 dB", "does not fit"),
        ("nan dB", "not a number"),
        ("inf dB", "not a number"),
        ("--3 dB", "not a number"),
        ("1" * 400 + " dB", "not a number"),
    ],
)
def test_a_wrong_quantity_is_told_with_what_is_accepted(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=r".") as caught:
        read_quantity(text, units=("dB",), low=0, high=12)
    message = str(caught.value)
    assert said in message
    assert "a number with the unit dB from 0 to 12 dB, such as '3 dB'" in message


def test_scaled_units_are_named_in_the_message() -> None:
    with pytest.raises(ValueError, match=r"unit s \(or in ms, us, min, h\) from 0.1 to 10 s"):
        read_quantity("5", units=("s",), low=0.1, high=10)


@pytest.mark.parametrize(
    ("text", "whole", "value"), [("3", True, 3.0), ("-2", True, -2.0), ("33.3", False, 33.3)]
)
def test_bare_numbers(text: str, whole: bool, value: float) -> None:
    assert read_number(text, low=-10, high=100, whole=whole) == value


@pytest.mark.parametrize(
    ("text", "said"),
    [("3.5", "not whole"), ("101", "out of range"), ("3 dB", "'dB' does not belong"), ("x", "not")],
)
def test_wrong_bare_numbers(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        read_number(text, low=-10, high=100, whole=True)


@quickly
@given(st.decimals(0, 600, places=3))
def test_a_scaled_form_means_the_same(seconds: object) -> None:
    in_seconds = read_quantity(f"{seconds} s", units=("s",), low=None, high=None).value
    in_minutes = read_quantity(f"{seconds} min", units=("s",), low=None, high=None).value
    assert in_minutes == pytest.approx(60 * in_seconds, rel=1e-15)


@quickly
@given(st.text(max_size=40))
def test_any_text_is_read_or_refused_in_words(text: str) -> None:
    said = "accepted is"
    try:
        measure = read_quantity(text, units=("dB", "dBTP"), low=-100, high=100)
        assert -100 <= measure.value <= 100
    except ValueError as error:
        said = str(error)
    assert "accepted is" in said


def test_ranges_for_people() -> None:
    assert range_in_words(("dB",), 0, 12) == "0 to 12 dB"
    assert range_in_words(("dBTP", "LUFS"), -60, 0) == "-60 to 0 dBTP or LUFS"
    assert range_in_words(("s",), 0.5, None) == "at least 0.5 s"
    assert range_in_words((), None, 8) == "at most 8"
