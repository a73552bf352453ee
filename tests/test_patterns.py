"""Name patterns."""

from __future__ import annotations

import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep.patterns import FIELDS, parse

quickly = settings(max_examples=60, deadline=None, derandomize=True)

LONG = "{artist} - {title} [{catalogue}] {side}"


@pytest.mark.parametrize(
    ("pattern", "name", "found"),
    [
        (
            LONG,
            "Marlow and the Tide Tables - Low Water [SMA 014] B",
            {
                "artist": "Marlow and the Tide Tables",
                "title": "Low Water",
                "catalogue": "SMA 014",
                "side": "B",
            },
        ),
        (
            LONG,
            "Marlow  -  Low - Water [x] [SMA 014]  B2",  # white space, earlier fields take least
            {"artist": "Marlow", "title": "Low - Water [x]", "catalogue": "SMA 014", "side": "B2"},
        ),
        ("{title} {side}", "Low Water A", {"title": "Low Water", "side": "A"}),
        ("{title} side {side}", "Low Water SIDE b", {"title": "Low Water", "side": "b"}),
        ("{year} {title}", "1987 Low Water", {"year": "1987", "title": "Low Water"}),
        ("{title} {rpm} rpm", "Low Water 33 1/3 rpm".replace("/", "∕"), None),
        ("{title} {rpm} rpm", "Low Water 45 rpm", {"title": "Low Water", "rpm": "45"}),
        ("{any} - {title}", "0001 - Ebb", {"title": "Ebb"}),
        ("{any} {title} ({any})", "x Ebb (take 2)", {"title": "Ebb"}),
        ("{artist}/{title}", "Ida Marlow/Ebb", {"artist": "Ida Marlow", "title": "Ebb"}),
        ("{artist}/{title}", "Ida Marlow/x/Ebb", None),
        ("{title}.*", "Ebb.*", {"title": "Ebb"}),  # no wildcards, no regular expressions
        ("{title}.*", "Ebb.wav", None),
        ("(a+)+ {title}", "(a+)+ x", {"title": "x"}),
        ("{artist} - {title}", "Jean-Paul-Ebb", None),
        ("{artist} - {title}", " - Ebb", None),  # a field is never empty
        ("{title} [{catalogue}]", "Ebb []", None),
        ("{title} {side}", "Low Water Sidelong", None),
        ("{year} {title}", "187 x", None),
        ("Caf\u00e9 {title}", "Cafe\u0301 Ebb", {"title": "Ebb"}),  # both forms of é
    ],
)
def test_matching(pattern: str, name: str, found: dict[str, str] | None) -> None:
    assert parse(pattern).match(name) == found


@pytest.mark.parametrize(
    ("pattern", "said"),
    [
        ("plain", "names no field"),
        ("{any}", "names no field"),
        ("{titel} {side}", "no field {titel}"),
        ("{title}{side}", "something to tell them apart"),
        ("{title} - {title}", "twice"),
        ("{title", "stands alone"),
        ("title} {side}", "stands alone"),
        ("{title.__class__}", "no field"),
        ("x" * 300 + "{title}", "too long"),
        ("{any}/{any} x/{any}/{any} y/{title}", "too many folders"),
    ],
)
def test_wrong_patterns_are_told(pattern: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        parse(pattern)


def test_hostile_names_cannot_make_it_slow() -> None:
    pattern = parse("-".join(["{any}"] * 20) + "-{title}-{side}-end")
    began = time.process_time()
    assert pattern.match("-" * 255) is None
    assert pattern.match("a-" * 127) is None
    assert pattern.match("x" * 1_000_000) is None
    assert time.process_time() - began < 2


_words = st.text("abc XYZ0129é", min_size=1, max_size=12).map(str.strip).filter(bool)


@quickly
@given(_words, _words, _words, st.sampled_from(["A", "B", "AA", "B1", "3"]))
def test_what_a_pattern_writes_it_reads(artist: str, title: str, catalogue: str, side: str) -> None:
    name = LONG.format(artist=artist, title=title, catalogue=catalogue, side=side)
    expected = {"artist": artist, "title": title, "catalogue": catalogue, "side": side}
    assert parse(LONG).match(name) == {k: " ".join(v.split()) for k, v in expected.items()}


@quickly
@given(st.text(max_size=60), st.text(max_size=80))
def test_any_pattern_and_name_end_in_an_answer(pattern: str, name: str) -> None:
    try:
        found = parse(pattern + " {title}").match(name)
    except ValueError:
        return
    assert found is None or set(found) <= set(FIELDS)
