"""From nodes to settings: one declaration (`sidekeep.settings`) reads and checks a section.

Every reader here notes its mistakes with their places and goes on, so that a person sees all of
them in one go. A value with a mistake keeps its earlier value; the caller raises before use.
"""

from __future__ import annotations

import difflib
import types
import typing
import unicodedata
from collections.abc import Iterable
from dataclasses import Field, fields, replace
from typing import Any

from sidekeep.quantities import read_number, read_quantity
from sidekeep.settings import Key
from sidekeep.strict_yaml import Entry, Mapping, Mistakes, Node, Place, Scalar, Sequence, shown

LONGEST_TEXT = 1000
LONGEST_LIST = 200

_YES = frozenset({"yes", "true", "on"})
_NO = frozenset({"no", "false", "off"})


# --- plain values --------------------------------------------------------------------------------


def read_text(node: Node, what: str, mistakes: Mistakes) -> str | None:
    """Read one line of text, trimmed, in normal form C; None (and a mistake) if it is not one."""
    if not isinstance(node, Scalar):
        written = "list; text with [ ] must be in quotes"
        if isinstance(node, Mapping):
            written = "mapping; text with { } or ': ' must be in quotes"
        mistakes.add(node.place, f"{what} must be text, not a {written}")
        return None
    text = unicodedata.normalize("NFC", node.text.strip())
    if not text:
        hint = "" if node.quoted else "; text that begins with # must be in quotes"
        mistakes.add(node.place, f"{what} is empty{hint}")
    elif len(text) > LONGEST_TEXT:
        mistakes.add(node.place, f"{what} is too long: at most {LONGEST_TEXT} characters")
    elif not all(c.isprintable() or unicodedata.category(c) in {"Zs", "Cf", "Co"} for c in text):
        mistakes.add(node.place, f"{what} must be one line without control characters")
    else:
        return text
    return None


def read_words(node: Node, what: str, mistakes: Mistakes) -> tuple[str, ...]:
    """Read a word or a list of words."""
    found = (read_text(item, what, mistakes) for item in read_items(node, what, mistakes))
    return tuple(text for text in found if text is not None)


def read_items(node: Node, what: str, mistakes: Mistakes) -> tuple[Node, ...]:
    """The items of a list; anything else is a list of one."""
    if not isinstance(node, Sequence):
        return (node,)
    if len(node.items) > LONGEST_LIST:
        mistakes.add(node.place, f"{what} is a list of more than {LONGEST_LIST}")
        return ()
    return node.items


def read_entries(
    node: Node, what: str, known: Iterable[str], mistakes: Mistakes
) -> dict[str, Entry]:
    """Read a mapping whose keys must be among `known`; a missing node is an empty mapping."""
    if isinstance(node, Scalar) and node.missing:
        return {}
    if not isinstance(node, Mapping):
        mistakes.add(node.place, f"{what} must be a mapping of keys with values (key: value)")
        return {}
    names = tuple(known)
    found: dict[str, Entry] = {}
    for entry in node.entries:
        if mistakes.many:
            break
        if entry.key.text in names:
            found[entry.key.text] = entry
        else:
            mistakes.add(entry.key.place, unknown("key", entry.key.text, names))
    return found


def unknown(kind: str, written: str, known: Iterable[str]) -> str:
    """Say that a word is unknown, with the nearest one that is known, or all when few."""
    names = sorted(known)
    folded = {name.casefold(): name for name in names}
    tidy = " ".join(written.replace("_", " ").replace("-", " ").casefold().split())
    near = difflib.get_close_matches(tidy[:200], folded, n=1, cutoff=0.6)
    message = f"unknown {kind} {shown(written)}"
    if near:
        return f"{message}; did you mean '{folded[near[0]]}'?"
    return f"{message}; known are {', '.join(names)}" if names else message


# --- settings ------------------------------------------------------------------------------------


def keyed_fields(settings: type[Any]) -> dict[str, Field[Any]]:
    """The fields of a settings class by the key a person writes."""
    return {f.metadata["key"].name: f for f in fields(settings) if "key" in f.metadata}


def read_settings(node: Node, base: Any, what: str, mistakes: Mistakes) -> Any:
    """Read a section over the settings it inherits.

    A class whose only key is a listing without a name is that list itself: the section is written
    as a list, or as its one item.

    Args:
        node: the section as written.
        base: an instance of the settings class; keys that are not written keep its values.
        what: the section's name in messages.
        mistakes: where mistakes are noted.

    Returns:
        A new instance with the written values.
    """
    by_key = keyed_fields(type(base))
    if set(by_key) == {""}:
        bare = by_key[""]
        items = _read_listing(node, bare.metadata["key"], mistakes)
        return _replaced(base, {bare.name: items}, node.place, what, mistakes)
    changes: dict[str, Any] = {}
    for name, entry in read_entries(node, what, by_key, mistakes).items():
        declared = by_key[name]
        before = len(mistakes)
        value = _read_value(entry, type(base), declared, mistakes)
        if len(mistakes) == before:
            changes[declared.name] = value
    return _replaced(base, changes, node.place, what, mistakes)


def _replaced(
    base: Any, changes: dict[str, Any], place: Place, what: str, mistakes: Mistakes
) -> Any:
    try:
        return replace(base, **changes)
    except ValueError as error:  # a settings class may check how its keys fit together
        mistakes.add(place, f"{what}: {error}")
        return base


def _read_value(entry: Entry, owner: type[Any], declared: Field[Any], mistakes: Mistakes) -> Any:
    key: Key = declared.metadata["key"]
    node = entry.value
    if isinstance(node, Scalar) and node.missing:
        mistakes.add(entry.key.place, f"'{key.name}' has no value; write one or leave the key out")
    elif key.kind == "listing":
        return _read_listing(node, key, mistakes)
    elif key.kind == "words":
        words = read_words(node, f"'{key.name}'", mistakes)
        return tuple(_one_of(word, key, node.place, mistakes) for word in words)
    elif (text := read_text(node, f"'{key.name}'", mistakes)) is not None:
        optional = may_be_none(owner, declared)
        if optional and text.casefold() == "none":
            return None
        try:
            return _scalar(text, key, _types(owner)[declared.name])
        except ValueError as error:
            mistakes.add(node.place, f"'{key.name}': {error}{'; or none' if optional else ''}")
    return None


def _scalar(text: str, key: Key, wanted: tuple[Any, ...]) -> Any:
    match key.kind:
        case "quantity":
            return read_quantity(text, units=key.units, low=key.low, high=key.high).value
        case "measure":
            return read_quantity(text, units=key.units, low=key.low, high=key.high)
        case "number":
            whole = int in wanted and float not in wanted
            value = read_number(text, low=key.low, high=key.high, whole=whole)
            return int(value) if whole else value
        case "choice":
            return _choice(text, key)
        case "flag":
            if text.casefold() in _YES | _NO:
                return text.casefold() in _YES
            raise ValueError(f"{shown(text)} is neither yes nor no")
        case _:
            return text


def _choice(text: str, key: Key) -> str:
    tidy = " ".join(text.casefold().split())
    for word in key.of:
        if str(word).casefold() == tidy:
            return str(word)
    raise ValueError(unknown("word", text, key.of))


def _one_of(word: str, key: Key, place: Place, mistakes: Mistakes) -> str:
    if not key.of:
        return word
    try:
        return _choice(word, key)
    except ValueError as error:
        mistakes.add(place, f"'{key.name}': {error}")
        return word


def _read_listing(node: Node, key: Key, mistakes: Mistakes) -> tuple[Any, ...]:
    what = f"'{key.name}'" if key.name else "an item"
    nodes = read_items(node, what, mistakes)
    return tuple(read_settings(item, key.of(), what, mistakes) for item in nodes)


def _types(settings: type[Any]) -> dict[str, tuple[Any, ...]]:
    """The types each field may have, with unions taken apart."""
    return {
        name: typing.get_args(hint)
        if isinstance(hint, types.UnionType) or typing.get_origin(hint) is typing.Union
        else (hint,)
        for name, hint in typing.get_type_hints(settings).items()
    }


def may_be_none(owner: type[Any], declared: Field[Any]) -> bool:
    """Whether a field accepts `none`, in words: its type allows None."""
    return type(None) in _types(owner)[declared.name]
