"""Settings that use every kind of declaration, for the tests of what is made from them."""

from __future__ import annotations

from dataclasses import dataclass

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
