"""Tables of keys for people, in Markdown: key, default, range, what it does.

They are made from the same declarations that read a section, so they cannot disagree with it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import Field
from typing import Any

from sidekeep.quantities import range_in_words
from sidekeep.schema import keyed_fields, may_be_none
from sidekeep.settings import Key


def all_tables(sections: Mapping[str, type[Any]]) -> str:
    """One heading, the class's own sentence and a table per section."""
    parts = []
    for name, settings in sections.items():
        summary = (settings.__doc__ or "").strip().splitlines()[0]
        parts.append(f"### `{name}`\n\n{summary}\n\n{key_table(settings)}")
    return "\n".join(parts)


def key_table(settings: type[Any]) -> str:
    """A Markdown table of every key of a settings class.

    Keys of a listing's items follow the listing.
    """
    lines = ["| key | default | range | what it does |", "|---|---|---|---|"]
    lines += [f"| {' | '.join(row)} |" for row in _rows(settings, "")]
    return "\n".join(lines) + "\n"


def _rows(settings: type[Any], prefix: str) -> list[tuple[str, str, str, str]]:
    rows: list[tuple[str, str, str, str]] = []
    for name, declared in keyed_fields(settings).items():
        key: Key = declared.metadata["key"]
        doc = key.doc.replace("|", r"\|")
        if key.kind == "listing":
            if name:
                rows.append((f"`{prefix}{name}`", "see below", "one or a list of these", doc))
            rows += _rows(key.of, f"{prefix}{name}: " if name else prefix)
        else:
            rows.append((f"`{prefix}{name}`", _default(declared), _range(settings, declared), doc))
    return rows


def _default(declared: Field[Any]) -> str:
    key: Key = declared.metadata["key"]
    value = declared.default
    if value is None or value == ():
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return "`" + ", ".join(str(word) for word in value) + "`"
    if isinstance(value, int | float):
        return f"`{value:.10g} {key.units[0]}`" if key.units else f"`{value:.10g}`"
    return f"`{value}`".replace("|", r"\|")


def _range(settings: type[Any], declared: Field[Any]) -> str:
    key: Key = declared.metadata["key"]
    if key.kind == "flag":
        span = "yes or no"
    elif key.of:
        span = ", ".join(f"`{word}`" for word in key.of)
    elif key.kind in {"text", "words"}:
        span = "text" if key.kind == "text" else "one or several words"
    else:
        span = range_in_words(key.units, key.low, key.high)
    return f"{span}, or `none`" if may_be_none(settings, declared) else span
