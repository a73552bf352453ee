"""Settings from nodes: values, mistakes, inheritance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pytest

from sidekeep.errors import WrittenWrong
from sidekeep.schema import read_settings
from sidekeep.settings import (
    Measure,
    choice,
    flag,
    listing,
    measure,
    number,
    quantity,
    text,
    words,
)
from sidekeep.strict_yaml import Mistakes, read


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One item."""

    format: str = choice("format", of=("flac", "aiff"), default="flac", doc="file format")
    bits: int = number("bits", default=24, low=8, high=32, doc="word length")


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything that can be declared.

    More words.
    """

    limit_db: float = quantity("limit", unit="dB", default=3.0, low=0, high=12, doc="the most")
    fade_s: float | None = quantity("fade in", unit="s", default=None, low=0, high=5, doc="a fade")
    peak: Measure = measure(  # noqa: RUF009 - it makes a field
        "peak",
        units=("dBTP", "LUFS"),
        default=Measure(-0.3, "dBTP"),
        low=-60,
        high=0,
        doc="a | b",
    )
    by: str = choice("by", of=("gaps", "gaps and sheet"), default="gaps", doc="what cuts")
    keep: bool = flag("keep", default=False, doc="keep it")
    names: str | None = text("names", default=None, doc="a pattern")
    kinds: tuple[str, ...] = words("kinds", of=("hum", "click"), doc="kinds")
    free: tuple[str, ...] = words("free", default=("x",), doc="any words")
    ratio: float = number("ratio", default=1.0, low=0, high=2, doc="a ratio")
    copies: tuple[Item, ...] = listing("copies", of=Item, default=(Item(),), doc="copies")

    def __post_init__(self) -> None:
        if self.keep and self.by != "gaps":
            raise ValueError("keep goes with gaps only")


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
