"""How settings are declared: dataclass fields that carry key, unit, range, default and meaning.

A settings class is a frozen dataclass made only of the fields below, so that one declaration serves
reading, checking, the error message, the README table and the code that uses the value:

    @dataclass(frozen=True, slots=True, kw_only=True)
    class Settings:
        limit_db: float = quantity("limit", unit="dB", default=3.0, low=0.0, high=12.0,
                                   doc="most that is ever corrected")
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class Measure:
    """A number with its unit, where a key accepts more than one unit of different meaning."""

    value: float
    unit: str

    def __str__(self) -> str:
        return f"{self.value:g} {self.unit}"


@dataclass(frozen=True, slots=True)
class Key:
    """What a settings field carries in its metadata under `"key"`.

    `kind` is `quantity`, `measure`, `choice`, `flag`, `text`, `words`, `number` or `listing`;
    `units` the accepted units, first the one the field is named after; `of` the allowed words, or for
    `listing` the settings class of one item.
    """

    name: str
    kind: str
    doc: str
    units: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    of: Any = ()


def quantity(
    name: str, *, unit: str, default: float | None, low: float, high: float, doc: str
) -> Any:
    """Declare a number with one unit; scaled forms (ms for s, kHz for Hz) are read as well."""
    return field(default=default, metadata={"key": Key(name, "quantity", doc, (unit,), low, high)})


def measure(
    name: str, *, units: tuple[str, ...], default: Measure | None, low: float, high: float, doc: str
) -> Any:
    """Declare a number whose unit chooses a meaning (`-0.3 dBTP` or `-1 dBFS`)."""
    return field(default=default, metadata={"key": Key(name, "measure", doc, units, low, high)})


def number(name: str, *, default: float | None, low: float, high: float, doc: str) -> Any:
    """Declare a bare number without unit (a count, a word length, rpm)."""
    return field(default=default, metadata={"key": Key(name, "number", doc, (), low, high)})


def choice(name: str, *, of: tuple[str, ...], default: str, doc: str) -> Any:
    """Declare one word out of several."""
    return field(default=default, metadata={"key": Key(name, "choice", doc, of=of)})


def flag(name: str, *, default: bool, doc: str) -> Any:
    """Declare yes or no."""
    return field(default=default, metadata={"key": Key(name, "flag", doc)})


def text(name: str, *, default: str | None, doc: str) -> Any:
    """Declare free text, such as a name pattern."""
    return field(default=default, metadata={"key": Key(name, "text", doc)})


def words(name: str, *, default: tuple[str, ...] = (), of: tuple[str, ...] = (), doc: str) -> Any:
    """Declare a word or a list of words; `of` limits them."""
    return field(default=default, metadata={"key": Key(name, "words", doc, of=of)})


def listing(name: str, *, of: type[Any], default: tuple[Any, ...], doc: str) -> Any:
    """Declare a list of sub-settings, each of class `of`."""
    return field(default=default, metadata={"key": Key(name, "listing", doc, of=of)})
