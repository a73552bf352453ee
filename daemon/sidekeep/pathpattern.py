"""Path patterns: text with fields that fall away with what belongs to them when they are not known.

`{artist}/{title|job} [{catalogue}]/{side}{number} {track}`: `/` separates folders; `{a|b}` is the
first of the two that is known; what stands between `<` and `>` is left out when a field inside it
is not known. Empty brackets, doubled and trailing separators go away with their field.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Set

_FIELD = re.compile(r"\{([^{}]*)\}")
_TOKEN = re.compile(r"\{([^{}]*)\}|<([^<>]*)>")
_GONE, _FOLDER = "\x00", "\x01"
_SEPARATORS = r"\s\-–—,;:·_"
_EMPTY_BRACKETS = re.compile(rf"[\[(](?:[{_SEPARATORS}]*{_GONE})+[{_SEPARATORS}]*[\])]")
_SEAM = re.compile(rf"([{_SEPARATORS}]*){_GONE}([{_SEPARATORS}]*)")


class PathPattern:
    """A pattern that was checked; `fields` are those it uses."""

    def __init__(self, text: str, allowed: Set[str]) -> None:
        """Check a pattern.

        Args:
            text: the pattern.
            allowed: the fields that may be used.

        Raises:
            ValueError: the pattern has no field, an unknown one, or a bracket without partner.
        """
        names = (name.strip() for found in _FIELD.findall(text) for name in found.split("|"))
        self.fields = frozenset(names)
        self._text = text.replace("/", _FOLDER)
        if unknown := sorted(self.fields - allowed):
            known = ", ".join(sorted(allowed))
            raise ValueError(f"there is no field {{{unknown[0]}}}; known are {known}")
        if any(mark in _TOKEN.sub("", _FIELD.sub("", text)) for mark in "{}<>"):
            raise ValueError(f"a bracket in the pattern {text!r} has no partner")
        if not self.fields:
            raise ValueError(f"the pattern {text!r} has no field; all files would be named alike")

    def fill(self, values: Mapping[str, str]) -> tuple[str, ...]:
        """Give the path's components, not yet safe names; those that came out empty are left out.

        Args:
            values: what each field stands for; empty when it is not known. A `/` inside a value
                does not begin a new component.
        """
        text = _TOKEN.sub(lambda found: _filled(found, values), self._text)
        components = (_collapsed(part) for part in text.split(_FOLDER))
        return tuple(part for part in components if part)


def _filled(found: re.Match[str], values: Mapping[str, str]) -> str:
    names, group = found.groups()
    if group is None:
        return _value(names, values)
    inside = _FIELD.sub(lambda field: _value(field[1], values), group)
    return _GONE if _GONE in inside else inside


def _value(names: str, values: Mapping[str, str]) -> str:
    for name in names.split("|"):
        value = values[name.strip()].replace(_GONE, "").replace(_FOLDER, "").strip()
        if value:
            return value
    return _GONE


def _collapsed(text: str) -> str:
    """Remove the marks of missing fields, and brackets and separators that stood only for them."""
    text = _EMPTY_BRACKETS.sub(_GONE, text)
    while _GONE in text:
        text = _SEAM.sub(_seam, text, count=1)
    return text.strip()


def _seam(found: re.Match[str]) -> str:
    before, after = found[1], found[2]
    whole = found.string
    at_start = found.start() == 0 or whole[found.start() - 1] in "[("
    at_end = found.end() == len(whole) or whole[found.end()] in "])"
    if at_start or at_end:
        return ""
    if whole[found.end()] in "[(":
        return " "
    return next((mark for mark in (before, after) if mark.strip()), (before or after)[:1])
