"""Tables of keys for people, and the declarations of all steps that they are made of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pytest

from declared_settings import Item, Settings
from sidekeep.keytables import all_tables, key_table
from sidekeep.preferences import Preferences
from sidekeep.schema import keyed_fields, read_settings
from sidekeep.settings import listing
from sidekeep.steps import STEPS
from sidekeep.strict_yaml import Mistakes, read


@dataclass(frozen=True, slots=True, kw_only=True)
class Bare:
    """A section that is a list."""

    copies: tuple[Item, ...] = listing("", of=Item, default=(Item(),), doc="copies")


def test_the_table_has_a_row_for_every_key() -> None:
    rows = key_table(Settings).splitlines()
    assert rows[0] == "| key | default | range | what it does |"
    assert "| `limit` | `3 dB` | 0 to 12 dB | the most |" in rows
    assert "| `fade in` | none | 0 to 5 s, or `none` | a fade |" in rows
    assert r"| `peak` | `-0.3 dBTP` | -60 to 0 dBTP or LUFS | a \| b |" in rows
    assert "| `keep` | no | yes or no | keep it |" in rows
    assert "| `kinds` | none | `hum`, `click` | kinds |" in rows
    assert "| `free` | `x` | one or several words | any words |" in rows
    assert "| `copies: bits` | `24` | 8 to 32 | word length |" in rows
    assert len(rows) == 2 + 10 + 2


def test_the_table_of_a_bare_listing_shows_its_items_keys() -> None:
    assert "| `bits` | `24` | 8 to 32 | word length |" in key_table(Bare).splitlines()


def test_tables_of_all_sections() -> None:
    tables = all_tables({"one": Settings, "two": Bare})
    assert tables.startswith("### `one`\n\nEverything that can be declared.\n\n| key |")
    assert "### `two`\n\nA section that is a list.\n" in tables


EVERY = {**{step.name: step.settings for step in STEPS}, "preferences": Preferences}


def _classes() -> list[Any]:
    """Every settings class, those of list items included."""
    found = []
    for name, kind in EVERY.items():
        found.append(pytest.param(kind, id=name))
        keys = [declared.metadata["key"] for declared in keyed_fields(kind).values()]
        found += [pytest.param(k.of, id=f"{name} item") for k in keys if k.kind == "listing"]
    return found


@pytest.mark.parametrize("kind", _classes())
def test_every_key_is_explained(kind: type[Any]) -> None:
    assert kind.__doc__
    for name, declared in keyed_fields(kind).items():
        key = declared.metadata["key"]
        assert len(key.doc) > 3, name
        assert name == name.lower()
        assert "_" not in name


@pytest.mark.parametrize("kind", _classes())
def test_every_default_can_be_written_as_the_table_shows_it(kind: type[Any]) -> None:
    """So every default has its unit, lies in its own range and is one of its own words."""
    for row in key_table(kind).splitlines()[2:]:
        name, default = (cell.strip().strip("`") for cell in row.split(" | ")[:2])
        name = name.removeprefix("| `")
        if name not in keyed_fields(kind) or default == "none":
            continue
        written = default.replace(r"\|", "|")
        if keyed_fields(kind)[name].metadata["key"].kind == "text":
            written = f"'{written}'"
        mistakes = Mistakes(name)
        made = read_settings(read(f"{name}: {written}", name), kind(), name, mistakes)
        mistakes.raise_if_any()
        assert made == kind()
