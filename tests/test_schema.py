"""Settings from nodes: values, mistakes, inheritance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pytest

from declared_settings import Item, Settings
from sidekeep.errors import WrittenWrong
from sidekeep.schema import read_settings
from sidekeep.settings import Measure, listing
from sidekeep.strict_yaml import Mistakes, read


@dataclass(frozen=True, slots=True, kw_only=True)
class Bare:
    """A section that is a list."""

    copies: tuple[Item, ...] = listing("", of=Item, default=(Item(),), doc="copies")


def settings(content: str, base: Any = None) -> Any:
    mistakes = Mistakes("f")
    found = read_settings(read(content, "f"), base or Settings(), "'section'", mistakes)
    mistakes.raise_if_any()
    return found


def mistakes_in(content: str, base: Any = None) -> list[str]:
    with pytest.raises(WrittenWrong) as caught:
        settings(content, base)
    return [str(mistake) for mistake in caught.value.mistakes]


def test_every_kind_is_read() -> None:
    assert settings(
        "limit: 1.5 dB\nfade in: 20 ms\npeak: -16 LUFS\nby: Gaps  and sheet\nkeep: no\n"
        "names: '{title}'\nkinds: [hum, click]\nfree: one\nratio: 0.5\n"
        "copies:\n  - {format: aiff, bits: 16}\n  - format: flac\n"
    ) == Settings(
        limit_db=1.5,
        fade_s=0.02,
        peak=Measure(-16.0, "LUFS"),
        by="gaps and sheet",
        names="{title}",
        kinds=("hum", "click"),
        free=("one",),
        ratio=0.5,
        copies=(Item(format="aiff", bits=16), Item()),
    )


def test_nothing_written_keeps_what_was_inherited() -> None:
    base = Settings(limit_db=7.0, keep=True)
    assert settings("", base) == base
    assert settings("fade in: 1 s", base) == Settings(limit_db=7.0, keep=True, fade_s=1.0)


def test_none_takes_an_inherited_value_back() -> None:
    assert settings("fade in: none", Settings(fade_s=1.0)) == Settings()


def test_a_whole_number_is_an_int() -> None:
    assert type(settings("copies: {bits: 16}").copies[0].bits) is int


@pytest.mark.parametrize("word", ["yes", "true", "on", "Yes"])
def test_yes(word: str) -> None:
    assert settings(f"keep: {word}").keep is True


def test_a_bare_listing_is_the_section_itself() -> None:
    assert settings("[{bits: 16}, {}]", Bare()) == Bare(copies=(Item(bits=16), Item()))
    assert settings("{bits: 16}", Bare()) == Bare(copies=(Item(bits=16),))


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        ("limti: 3 dB", "f:1:1: unknown key 'limti'; did you mean 'limit'?"),
        ("fade_in: 3 s", "f:1:1: unknown key 'fade_in'; did you mean 'fade in'?"),
        ("zzz: 1", "f:1:1: unknown key 'zzz'; known are by, copies, fade in"),
        ("limit: 3", "f:1:8: 'limit': the unit is missing: write '3 dB'"),
        ("limit: 13 dB", "f:1:8: 'limit': 13 dB is out of range"),
        ("limit: [3 dB]", "f:1:8: 'limit' must be text, not a list"),
        ("limit: {a: b}", "f:1:8: 'limit' must be text, not a mapping"),
        ("limit:", "f:1:1: 'limit' has no value"),
        ("limit: none", "f:1:8: 'limit': this is not a number"),
        ("fade in: x", "; or none"),
        ("by: gap", "f:1:5: 'by': unknown word 'gap'; did you mean 'gaps'?"),
        ("keep: maybe", "f:1:7: 'keep': 'maybe' is neither yes nor no"),
        ("kinds: [hum, clik]", "'kinds': unknown word 'clik'; did you mean 'click'?"),
        ("copies: [{bits: 16.5}]", "f:1:17: 'bits': 16.5 is not whole"),
        ("copies: [{bit: 16}]", "f:1:11: unknown key 'bit'; did you mean 'bits'?"),
        ("copies: [flac]", "f:1:10: 'copies' must be a mapping"),
        ("- a", "f:1:1: 'section' must be a mapping"),
        ("free: [" + "x, " * 201 + "]", "f:1:7: 'free' is a list of more than 200"),
        ("copies: [" + "{}, " * 201 + "]", "f:1:9: 'copies' is a list of more than 200"),
        ("names: '" + "x" * 1001 + "'", "too long"),
        ('names: "a\\nb"', "one line"),
        ("{keep: yes, by: gaps and sheet}", "'section': keep goes with gaps only"),
    ],
)
def test_mistakes(content: str, expected: str) -> None:
    found = mistakes_in(content)
    assert any(expected in line for line in found), found


def test_all_mistakes_of_a_section_come_at_once() -> None:
    found = mistakes_in("limti: 1\nby: x\ncopies:\n  - {bits: 1}\n  - {fromat: flac}\nratio: 3\n")
    assert [line.split(":")[1] for line in found] == ["1", "2", "4", "5", "6"]
