"""Names that are safe as one path component on Linux, Windows and macOS.

Rules from the Windows documentation "Naming Files, Paths, and Namespaces" (reserved characters,
device names, no dot or space at the end), from POSIX (no `/`, no NUL, 255 bytes a name) and from
the file systems of macOS (no `:`, no unassigned code points). Names are stored in Unicode NFC.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence

NAME_BYTES = 255
"""The longest name most file systems take, in bytes of UTF-8 (POSIX NAME_MAX on Linux)."""

PATH_UNITS = 236
"""The longest path in UTF-16 units: Windows' 260 less a share's name and a number added later."""

_SHORTEST = 32
"""Units to which a component may be cut to make a path shorter; names must stay readable."""

_CUT_AT_ONCE = 8
"""Units taken off the longest component at a time, so that long ones share the loss."""

_DEVICES = frozenset(
    ["CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"]
    + [port + digit for port in ("COM", "LPT") for digit in "0123456789¹²³"]
)
_REPLACED = str.maketrans(
    {"/": "-", "\\": "-", "|": "-", ":": "-", '"': "'", "<": "(", ">": ")", "?": None, "*": "_"}
)
_SKIN_TONES = range(0x1F3FB, 0x1F400)
_FLAG_LETTERS = range(0x1F1E6, 0x1F200)


def component(text: str, *, tail: str = "") -> str:
    """Turn any text into one safe path component.

    Args:
        text: what a person, a sheet or a tag calls the thing; may be anything.
        tail: what must stay at the end when the name is cut, such as `.flac`; safe by itself.

    Returns:
        A name that is never empty, `.`, `..`, hidden, or a device; `_` where nothing is left.
        Giving the result in again changes nothing.
    """
    text = "".join(map(_plain, unicodedata.normalize("NFC", text)))
    text = re.sub(r"(?<=\w) *: +", " - ", text).translate(_REPLACED).replace("...", "…")
    return _finished(unicodedata.normalize("NFC", text), NAME_BYTES, tail)


def path(components: Iterable[str], *, tail: str = "") -> str:
    """Join texts, each becoming one safe component, into a relative path with `/`.

    Where the path is longer than `PATH_UNITS`, the longest components are cut as far as they stay
    readable.

    Args:
        components: folders and, last, the file's name without extension; empty ones are left out.
        tail: the file's extension with its dot.
    """
    names = [component(text) for text in components if text.strip()]
    names = names or ["_"]
    names[-1] = component(names[-1], tail=tail)
    while (excess := _units("/".join(names)) - PATH_UNITS) > 0:
        longest = max(range(len(names)), key=lambda index: _units(names[index]))
        units = _units(names[longest])
        if units <= _SHORTEST:
            break
        kept = tail if longest == len(names) - 1 else ""
        goal = max(_SHORTEST, units - min(excess, _CUT_AT_ONCE))
        names[longest] = _cut_to_units(names[longest], goal, kept)
    return "/".join(names)


def numbered(path: str, number: int) -> str:
    """Give the path with ` (2)` and so on before the file's extension.

    Args:
        path: a path as `path` makes it.
        number: the number in brackets; 1 gives the path unchanged.
    """
    if number == 1:
        return path
    folder, slash, name = path.rpartition("/")
    stem, tail = split_extension(name)
    mark = f" ({number}){tail}"
    return folder + slash + _finished(stem, NAME_BYTES, mark)


def part_path(path: str, part: int, parts: int, name: str) -> str:
    """Give the path of one part of a master that consists of several files.

    Args:
        path: the master's path.
        part: which part, from 1.
        parts: how many there are; with one the path is returned unchanged.
        name: the part's original name, for its extension.
    """
    if parts == 1:
        return path
    folder, slash, whole = path.rpartition("/")
    stem, _ = split_extension(whole)
    width = len(str(parts))
    mark = f" part {part:0{width}d}{split_extension(name)[1].lower()}"
    return folder + slash + _finished(stem, NAME_BYTES, mark)


def split_extension(name: str) -> tuple[str, str]:
    """Split a name into stem and extension with its dot; the extension may be empty.

    Only a short extension of ASCII letters and digits counts, so `Vol. 2` keeps its dot.
    """
    found = re.fullmatch(r"(.+?)(\.[A-Za-z0-9]{1,5})", name, re.DOTALL)
    return (found[1], found[2]) if found else (name, "")


def folded(path: str) -> str:
    """Give the form for comparing paths: equal where some file system calls them equal."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", path).casefold())


def distinct(paths: Sequence[str]) -> tuple[str, ...]:
    """Make paths distinct on every file system by numbering the later of equal ones."""
    taken: set[str] = set()
    result = []
    for wanted in paths:
        number = 1
        while folded(numbered(wanted, number)) in taken:
            number += 1
        result.append(numbered(wanted, number))
        taken.add(folded(result[-1]))
    return tuple(result)


def _plain(character: str) -> str:
    """Give a space for anything blank, nothing for what is invisible, `_` for what is no text."""
    if character.isspace():
        return " "
    category = unicodedata.category(character)
    if category in {"Cc", "Cf"}:
        return ""
    return "_" if category in {"Cs", "Co", "Cn"} else character


def _finished(text: str, limit_bytes: int, tail: str) -> str:
    text = _trimmed(text)
    stem = text.partition(".")[0].rstrip(" ")
    if stem.upper() in _DEVICES:
        text = stem + "_" + text[len(stem) :]
    room = limit_bytes - len(tail.encode())
    if len(text.encode()) > room:
        text = _trimmed(_cut(text, len(text.encode()[:room].decode(errors="ignore"))))
    return text + tail


def _trimmed(text: str) -> str:
    text = re.sub(" +", " ", text).strip(" ").rstrip(". ")
    if text.startswith("."):
        text = "_" + text[1:]
    return text or "_"


def _cut(text: str, length: int) -> str:
    """Keep `length` characters or a few less, so that no visible character is cut in two."""
    while 0 < length < len(text) and _joined(text, length):
        length -= 1
    return text[:length]


def _joined(text: str, index: int) -> bool:
    """Whether the character at `index` belongs to the visible character before it."""
    if unicodedata.category(text[index]).startswith("M") or ord(text[index]) in _SKIN_TONES:
        return True
    flags = 0
    while index - flags >= 0 and ord(text[index - flags]) in _FLAG_LETTERS:
        flags += 1
    return flags > 0 and flags % 2 == 0


def _units(text: str) -> int:
    return len(text.encode("utf-16-le")) // 2


def _cut_to_units(name: str, units: int, tail: str) -> str:
    stem = name.removesuffix(tail)
    room = units - _units(tail)
    kept = stem.encode("utf-16-le")[: 2 * room].decode("utf-16-le", errors="ignore")
    return _finished(_cut(stem, len(kept)), NAME_BYTES, tail)
