"""Names are safe on Linux, Windows and macOS, whatever a sheet or a tag says."""

import re
import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep.naming import (
    NAME_BYTES,
    PATH_UNITS,
    component,
    distinct,
    folded,
    numbered,
    part_path,
    path,
    split_extension,
)

# Windows: "Naming Files, Paths, and Namespaces", sections "Naming Conventions" (read second-hand,
# in discussions that quote it).
FORBIDDEN = set('<>:"/\\|?*') | {chr(code) for code in range(32)}
DEVICES = {"CON", "PRN", "AUX", "NUL"} | {f"{p}{d}" for p in ("COM", "LPT") for d in "123456789¹²³"}

ALPHABET = st.one_of(
    st.characters(),
    st.sampled_from('./\\:*?"<>| \t\n\x00\u200b\u200d\u202e\u2066\u0301\u0308é…_-()[]🇩🇪👩🏽😀'),
)
ANY_TEXT = st.one_of(
    st.text(ALPHABET, max_size=40),
    st.text(ALPHABET, min_size=100, max_size=400),
    st.sampled_from(["CON", "con.txt", "Nul .a.b", "LPT¹", "COM1. ", "aux", "..", ".", ""]),
)


def assert_safe(name: str) -> None:
    assert name
    assert len(name.encode()) <= NAME_BYTES
    assert not FORBIDDEN & set(name)
    assert name[0] not in ". "
    assert name[-1] not in ". "
    assert name.split(".", maxsplit=1)[0].rstrip().upper() not in DEVICES
    assert unicodedata.is_normalized("NFC", name)
    assert not any(unicodedata.category(c) in {"Cc", "Cf", "Cs", "Co", "Cn"} for c in name)


@settings(max_examples=500, deadline=None)
@given(ANY_TEXT, st.sampled_from(["", ".flac", ".aiff"]))
def test_any_text_becomes_a_safe_component_that_keeps_its_extension(text: str, tail: str) -> None:
    name = component(text, tail=tail)
    assert_safe(name)
    assert name.endswith(tail)
    assert component(name) == name


@settings(max_examples=200, deadline=None)
@given(st.lists(ANY_TEXT, max_size=4))
def test_any_texts_become_a_path_below_the_root(texts: list[str]) -> None:
    made = path(texts, tail=".flac")
    assert not made.startswith("/")
    assert len(made.encode("utf-16-le")) // 2 <= PATH_UNITS
    for name in made.split("/"):
        assert_safe(name)


@settings(max_examples=100, deadline=None)
@given(st.lists(ANY_TEXT, max_size=6))
def test_distinct_paths_differ_on_every_file_system(texts: list[str]) -> None:
    made = distinct([path(["a", text], tail=".wav") for text in texts])
    assert len({folded(name) for name in made}) == len(texts)
    for name in made:
        assert_safe(name.split("/")[-1])
        assert name.endswith(".wav")


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Slack Water", "Slack Water"),
        ("Ebb / Flow", "Ebb - Flow"),
        ("Low Water: Two Songs", "Low Water - Two Songs"),
        ("4:12", "4-12"),
        ("Who Goes?", "Who Goes"),
        ('The "Neap"', "The 'Neap'"),
        ("...and Back", "…and Back"),
        ("Wait...", "Wait…"),
        ("Vol. 2.", "Vol. 2"),
        (".hidden", "_hidden"),
        ("../../etc/passwd", "_.-..-etc-passwd"),
        ("..", "_"),
        ("  ", "_"),
        ("a\tb\nc", "a b c"),
        ("evil\u202egpj.flac", "evilgpj.flac"),
        ("zero\u200bwidth", "zerowidth"),
        ("nul\x00byte", "nulbyte"),
        ("CON", "CON_"),
        ("con.flac", "con_.flac"),
        ("Com1 .x", "Com1_ .x"),
        ("COM10", "COM10"),
        ("CONCERT", "CONCERT"),
        ("lone\ud800", "lone_"),
        ("e\u0301te\u0301", "été"),
    ],
)
def test_names_read_like_what_was_meant(text: str, name: str) -> None:
    assert component(text) == name


def test_a_long_name_is_cut_between_visible_characters() -> None:
    assert component("e\u0323\u0303" * 200).endswith("\u1eb9\u0303")
    flags = component("🇩🇪" * 60)
    assert flags == "🇩🇪" * (len(flags) // 2)
    assert component("é" * 200, tail=".flac") == "é" * 125 + ".flac"


def test_a_long_path_is_cut_where_it_is_longest() -> None:
    made = path(["Artist", "Album " * 40, "Track " * 40], tail=".flac")
    artist, album, track = made.split("/")
    assert artist == "Artist"
    assert abs(len(album) - len(track)) <= 16
    assert PATH_UNITS - 16 <= len(made) <= PATH_UNITS


def test_numbers_and_parts_stand_before_the_extension() -> None:
    assert numbered("a/b.c.flac", 1) == "a/b.c.flac"
    assert numbered("a/b.c.flac", 2) == "a/b.c (2).flac"
    assert len(numbered("x" * 250 + ".flac", 12).encode()) == NAME_BYTES
    assert part_path("a/A.wav", 1, 1, "0001.WAV") == "a/A.wav"
    assert part_path("a/A.wav", 3, 12, "0003.WAV") == "a/A part 03.wav"


def test_only_a_short_plain_extension_counts_as_one() -> None:
    assert split_extension("Side A.wav") == ("Side A", ".wav")
    assert split_extension("Vol. 2") == ("Vol. 2", "")
    assert split_extension(".flac") == (".flac", "")


def test_equal_names_are_found_across_case_and_composition() -> None:
    assert distinct(["a/Été.flac", "a/e\u0301te\u0301.FLAC", "a/été.flac"]) == (
        "a/Été.flac",
        "a/e\u0301te\u0301 (2).FLAC",
        "a/été (3).flac",
    )
    assert re.fullmatch(r"a/x \(2\)\.flac", distinct(["a/x.flac", "a/X.flac"])[1], re.IGNORECASE)
