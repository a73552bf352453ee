"""Name patterns such as `{artist} - {title} [{catalogue}] {side}`: what a name says about a record.

A pattern must fit the whole name. Runs of white space count as one space, letters fit in either
case, and an earlier field takes as little as it can. The matcher remembers where it failed, so the
work is bounded by the size of pattern and name whatever they hold.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

FIELDS = ("artist", "title", "label", "catalogue", "year", "genre", "rpm", "side", "any")
LONGEST_NAME = 255
LONGEST_PATTERN = 200
MOST_LEVELS = 4

_FIELD = re.compile(r"\{([^{}]*)\}")
_SHAPES = {
    "year": re.compile(r"(1[89]|20)\d\d"),
    "rpm": re.compile(r"16|33|45|78|33\.3+|33 1/3|16 2/3|78\.26|77\.92"),
    "side": re.compile(r"[^\W_]{1,4}"),
    "catalogue": re.compile(r"[^\[\](){}]+"),  # brackets stand around it, not in it
}


@dataclass(frozen=True, slots=True)
class Pattern:
    """A checked pattern; `parts` alternates between plain text and (`is_field`) field names."""

    text: str
    parts: tuple[tuple[bool, str], ...]

    @property
    def levels(self) -> int:
        """How many path components the pattern speaks of."""
        return self.text.count("/") + 1

    def match(self, name: str) -> dict[str, str] | None:
        """Match a whole name.

        Args:
            name: a file's stem or a folder's path, with `/` between components.

        Returns:
            The fields found (without `any`), or None if the pattern does not fit.
        """
        tidy = _tidy(name)
        if len(tidy) > LONGEST_NAME * self.levels:
            return None
        found = _Matcher(self.parts, tidy).run()
        return None if found is None else {k: v for k, v in found.items() if k != "any"}


def parse(text: str) -> Pattern:
    """Check a pattern.

    Raises:
        ValueError: with what is wrong, in words for the person who wrote it.
    """
    if len(text) > LONGEST_PATTERN:
        raise ValueError(f"the pattern is too long: at most {LONGEST_PATTERN} characters")
    if text.count("/") >= MOST_LEVELS:
        raise ValueError(f"the pattern speaks of too many folders: at most {MOST_LEVELS}")
    parts: list[tuple[bool, str]] = []
    for index, piece in enumerate(_FIELD.split(_tidy(text))):
        if index % 2:
            _check_field(piece, parts)
            parts.append((True, piece))
        elif piece:
            if "{" in piece or "}" in piece:
                raise ValueError("a { or } stands alone; a field is written {title}")
            parts.append((False, piece))
    if not any(is_field and piece != "any" for is_field, piece in parts):
        raise ValueError("the pattern names no field; a field is written {title}")
    return Pattern(text, tuple(parts))


def _check_field(name: str, before: list[tuple[bool, str]]) -> None:
    if name not in FIELDS:
        raise ValueError(f"there is no field {{{name}}}; known are {', '.join(FIELDS)}")
    if name != "any" and (True, name) in before:
        raise ValueError(f"the field {{{name}}} is in the pattern twice")
    if before and before[-1][0]:
        raise ValueError(
            f"between {{{before[-1][1]}}} and {{{name}}} there must be something to tell them apart"
        )


def _tidy(text: str) -> str:
    return " ".join(unicodedata.normalize("NFC", text).split())


class _Matcher:
    """Matches with a memory of failed (part, position) pairs: at most parts x length^2 steps."""

    def __init__(self, parts: tuple[tuple[bool, str], ...], name: str) -> None:
        self._parts = parts
        self._name = name
        self._failed: set[tuple[int, int]] = set()

    def run(self) -> dict[str, str] | None:
        return self._from(0, 0)

    def _from(self, part: int, position: int) -> dict[str, str] | None:
        if part == len(self._parts):
            return {} if position == len(self._name) else None
        if (part, position) in self._failed:
            return None
        is_field, text = self._parts[part]
        found = self._field(part, position) if is_field else self._plain(part, position, text)
        if found is None:
            self._failed.add((part, position))
        return found

    def _plain(self, part: int, position: int, text: str) -> dict[str, str] | None:
        piece = self._name[position : position + len(text)]
        return (
            self._from(part + 1, position + len(text))
            if piece.casefold() == text.casefold()
            else None
        )

    def _field(self, part: int, position: int) -> dict[str, str] | None:
        name = self._parts[part][1]
        shape = _SHAPES.get(name)
        for end in range(position + 1, len(self._name) + 1):
            value = self._name[position:end]
            if "/" in value:
                return None
            if value != value.strip() or (shape is not None and not shape.fullmatch(value)):
                continue
            rest = self._from(part + 1, end)
            if rest is not None:
                return {name: value, **rest}
        return None
