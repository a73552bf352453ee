"""A small, strict part of YAML: text in, nodes with places out, and every mistake at once.

What is left out is what surprises people or harms machines: anchors, aliases, tags, merge keys,
several documents, duplicate keys, deep nesting, big files. Scalars stay the text that was written,
so that `No`, `22:30` and `012` survive; only a schema turns them into something else.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import yaml

from sidekeep.errors import Mistake, WrittenWrong

LARGEST_BYTES = 256 * 1024
DEEPEST = 20
MOST_MISTAKES = 50

_PARSER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

# Control characters, and the line and paragraph separators that YAML counts as line ends but no
# editor shows as such. Tab, line feed and carriage return are fine.
_UNWANTED = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\ufeff\ufffe\uffff\ud800-\udfff]"
)
_LINE_END = re.compile("\r\n|\r|\n")


@dataclass(frozen=True, slots=True)
class Place:
    """Where something stands in a text; both count from 1."""

    line: int
    column: int


START = Place(1, 1)


@dataclass(frozen=True, slots=True)
class Scalar:
    """One piece of text as it was written; `quoted` tells `""` from nothing at all."""

    place: Place
    text: str
    quoted: bool = False

    @property
    def missing(self) -> bool:
        """Whether nothing was written where a value was expected."""
        return not self.text and not self.quoted


@dataclass(frozen=True, slots=True)
class Sequence:
    """A list of nodes."""

    place: Place
    items: tuple[Node, ...]


@dataclass(frozen=True, slots=True)
class Entry:
    """One key of a mapping with its value."""

    key: Scalar
    value: Node


@dataclass(frozen=True, slots=True)
class Mapping:
    """Keys with values, in the order of the text; no key twice."""

    place: Place
    entries: tuple[Entry, ...]


Node = Scalar | Sequence | Mapping


class Mistakes:
    """Collects the mistakes of one text, to be told all in one go.

    Args:
        file: the name shown before line and column.
    """

    def __init__(self, file: str) -> None:
        self._file = file
        self._found: list[Mistake] = []

    def __len__(self) -> int:
        return len(self._found)

    def add(self, place: Place, text: str) -> None:
        """Note one mistake."""
        self._found.append(Mistake(self._file, place.line, place.column, text))

    @property
    def many(self) -> bool:
        """Whether there are more mistakes than anybody wants to read; readers may stop then."""
        return len(self._found) > MOST_MISTAKES

    def found(self) -> tuple[Mistake, ...]:
        """The mistakes in the order of the text; a long list is cut."""
        ordered = sorted(set(self._found), key=lambda m: (m.line, m.column, m.text))
        if len(ordered) <= MOST_MISTAKES:
            return tuple(ordered)
        last = ordered[MOST_MISTAKES]
        more = Mistake(self._file, last.line, last.column, "and more mistakes from here on")
        return (*ordered[:MOST_MISTAKES], more)

    def raise_if_any(self) -> None:
        """Raise `WrittenWrong` with all mistakes when there are any."""
        if self._found:
            raise WrittenWrong(self.found())


def shown(text: str, longest: int = 60) -> str:
    """Quote what a person wrote for a message: printable, on one line, not too long."""
    cut = text if len(text) <= longest else text[: longest - 1] + "…"
    return "'" + "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in cut) + "'"


def decode(data: bytes, name: str) -> str:
    """Turn the bytes of a file into text: UTF-8, with or without a byte order mark.

    Raises:
        WrittenWrong: the file is too large or not UTF-8.
    """
    mistakes = Mistakes(name)
    if len(data) > LARGEST_BYTES:
        mistakes.add(START, f"the file is too large: {len(data)} bytes, at most {LARGEST_BYTES}")
        mistakes.raise_if_any()
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        place = _place_in(data[: error.start].decode("utf-8-sig", "replace"))
        mistakes.add(place, "this is not UTF-8 text; save the file with the encoding UTF-8")
        raise WrittenWrong(mistakes.found()) from None


def read(text: str | bytes, name: str) -> Node:
    """Read one document.

    Args:
        text: the file's content.
        name: the file's name as messages show it.

    Returns:
        The document's root; an empty document is a missing scalar.

    Raises:
        WrittenWrong: with every mistake that could be found.
    """
    if isinstance(text, bytes):
        text = decode(text, name)
    mistakes = Mistakes(name)
    if len(text) > LARGEST_BYTES or len(text.encode("utf-8", "replace")) > LARGEST_BYTES:
        mistakes.add(START, f"the text is too large: at most {LARGEST_BYTES} bytes")
        mistakes.raise_if_any()
    text = text.removeprefix("\ufeff")
    for unwanted in _UNWANTED.finditer(text):
        place = _place_in(text[: unwanted.start()])
        mistakes.add(place, f"the character U+{ord(unwanted[0]):04X} is not allowed here")
        if mistakes.many:
            break
    mistakes.raise_if_any()
    root = _Builder(mistakes).build(text)
    mistakes.raise_if_any()
    return root


def _place_in(before: str) -> Place:
    lines = _LINE_END.split(before)
    return Place(len(lines), len(lines[-1]) + 1)


def _place(mark: Any) -> Place:  # two parsers, two classes of marks
    return Place(mark.line + 1, mark.column + 1) if mark else START


@dataclass(slots=True)
class _Open:
    """A list or mapping whose end has not come yet; `keys` waits for values in a mapping."""

    place: Place
    mapping: bool
    nodes: list[Node] = field(default_factory=list)


class _Builder:
    """Builds nodes from parser events with a stack of its own: no recursion, no constructors."""

    def __init__(self, mistakes: Mistakes) -> None:
        self._mistakes = mistakes
        self._open: list[_Open] = []
        self._root: Node | None = None
        self._documents = 0

    def build(self, text: str) -> Node:
        """Read events until the end or the first thing that makes the rest meaningless."""
        try:
            for event in yaml.parse(text, Loader=_PARSER):
                if not self._take(event) or self._mistakes.many:
                    break
        except yaml.MarkedYAMLError as error:
            place = _place(error.problem_mark or error.context_mark)
            self._mistakes.add(place, _explained(error, _line_of(text, place)))
        except yaml.YAMLError as error:
            self._mistakes.add(START, f"this is not valid YAML: {error}")
        return self._root or Scalar(START, "")

    def _take(self, event: yaml.Event) -> bool:
        """Take one event; False stops the reading."""
        place = _place(event.start_mark)
        if isinstance(event, yaml.DocumentStartEvent):
            self._documents += 1
            if self._documents > 1:
                self._mistakes.add(place, "a second document begins here; only one is read")
                return False
            if event.version or event.tags:
                self._mistakes.add(place, "directives (%YAML, %TAG) are not used here")
        elif isinstance(event, yaml.AliasEvent):
            self._mistakes.add(
                place, "aliases (*) are not used here; put a text that begins with * in quotes"
            )
            self._place_node(Scalar(place, ""))
        elif isinstance(event, yaml.NodeEvent):
            return self._take_node(event, place)
        elif isinstance(event, yaml.CollectionEndEvent):
            self._close()
        return True

    def _take_node(self, event: yaml.NodeEvent, place: Place) -> bool:
        if event.anchor is not None:
            self._mistakes.add(
                place, "anchors (&) are not used here; put a text that begins with & in quotes"
            )
        if getattr(event, "tag", None) is not None:
            self._mistakes.add(
                place, "tags (!) are not used here; put a text that begins with ! in quotes"
            )
        if isinstance(event, yaml.ScalarEvent):
            self._place_node(Scalar(place, event.value, quoted=bool(event.style)))
            return True
        if len(self._open) >= DEEPEST:
            self._mistakes.add(place, f"this is nested more than {DEEPEST} levels deep")
            return False
        self._open.append(_Open(place, isinstance(event, yaml.MappingStartEvent)))
        return True

    def _place_node(self, node: Node) -> None:
        if self._open:
            self._open[-1].nodes.append(node)
        else:
            self._root = node

    def _close(self) -> None:
        done = self._open.pop()
        if done.mapping:
            self._place_node(Mapping(done.place, tuple(self._entries(done.nodes))))
        else:
            self._place_node(Sequence(done.place, tuple(done.nodes)))

    def _entries(self, nodes: list[Node]) -> Iterator[Entry]:
        seen: dict[str, Place] = {}
        for key, value in zip(nodes[::2], nodes[1::2], strict=True):
            if self._mistakes.many:
                return
            if not isinstance(key, Scalar):
                self._mistakes.add(key.place, "a key must be plain text, not a list or a mapping")
            elif key.text == "<<" and not key.quoted:
                self._mistakes.add(key.place, "merge keys (<<) are not used here")
            elif key.text in seen:
                first = seen[key.text].line
                self._mistakes.add(
                    key.place, f"the key {shown(key.text)} is here twice; first in line {first}"
                )
            else:
                seen[key.text] = key.place
                yield Entry(key, value)


def _line_of(text: str, place: Place) -> str:
    lines = _LINE_END.split(text)
    return lines[place.line - 1] if place.line <= len(lines) else ""


def _explained(error: yaml.MarkedYAMLError, line: str) -> str:
    """Put the parser's complaint into words that say what to do."""
    problem = error.problem or "cannot be read"
    if "\t" in line[: len(line) - len(line.lstrip())] or ("\\t" in problem and "token" in problem):
        return "a tab cannot stand here; use spaces"
    if "mapping values are not allowed" in problem:
        return (
            "a colon is not expected here; put a text that contains ': ' in quotes, "
            "and check the indentation"
        )
    if "cannot start any token" in problem:
        return "a text cannot begin with this character unless it is in quotes"
    context = f" ({error.context})" if error.context else ""
    return f"this is not valid YAML: {problem}{context}"
