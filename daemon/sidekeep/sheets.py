"""Sheets: the small YAML file that says what is on a record, and which side a recording is."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from sidekeep.model import Sheet, SheetTrack
from sidekeep.schema import read_entries, read_text
from sidekeep.strict_yaml import START, Entry, Mistakes, Node, Scalar, Sequence, read, shown
from sidekeep.strict_yaml import Mapping as MappingNode

MOST_SIDES = 50
MOST_TRACKS = 99
LONGEST_LABEL = 12
LONGEST_TRACK_S = 24 * 3600.0
EARLIEST_YEAR = 1877  # the first sound record was cut in that year
LATEST_YEAR = 2999

_TEXTS = ("artist", "title", "label", "catalogue", "genre")
_KEYS = (*_TEXTS, "year", "rpm", "sides")
_LENGTH = re.compile(r"(?:(\d{1,2}):(?=\d\d:))?(\d{1,3}):([0-5]\d(?:\.\d{1,6})?)")
_LABEL = re.compile(r"[\w][\w .+'\-]*")

# What is written on labels and sleeves, and the speed that is meant.
_RPM = {
    "16": 50 / 3,
    "16 2/3": 50 / 3,
    "33": 100 / 3,
    "33 1/3": 100 / 3,
    "33.3": 100 / 3,
    "33.33": 100 / 3,
    "33.333": 100 / 3,
    "45": 45.0,
    "78": 78.0,
}
SLOWEST_RPM = 16.0
FASTEST_RPM = 120.0


def read_sheet(text: str | bytes, name: str) -> Sheet:
    """Read a sheet.

    Args:
        text: the file's content.
        name: the file's name, for messages and for `Sheet.source`.

    Raises:
        WrittenWrong: with every mistake in the sheet.
    """
    root = read(text, name)
    mistakes = Mistakes(name)
    entries = read_entries(root, "a sheet", _KEYS, mistakes)
    texts = {
        key: read_text(entries[key].value, f"'{key}'", mistakes) for key in _TEXTS if key in entries
    }
    year = _read_year(entries["year"].value, mistakes) if "year" in entries else None
    rpm = _read_rpm(entries["rpm"].value, mistakes) if "rpm" in entries else None
    sides = _read_sides(entries["sides"], mistakes) if "sides" in entries else {}
    mistakes.raise_if_any()
    return Sheet(**texts, year=year, rpm=rpm, sides=sides, source=name)


def rpm_of(text: str) -> float | None:
    """Turn a written speed into revolutions per minute; 33 means 33 1/3. None if it is none."""
    tidy = " ".join(text.casefold().removesuffix("rpm").split())
    if tidy in _RPM:
        return _RPM[tidy]
    if not re.fullmatch(r"\d{2,3}(\.\d{1,4})?", tidy):
        return None
    value = float(tidy)
    return value if SLOWEST_RPM <= value <= FASTEST_RPM else None


def length_s(text: str) -> float | None:
    """Turn `4:12`, `1:02:03` or `4:12.5` into seconds; None if it is not a length."""
    match = _LENGTH.fullmatch(text.strip())
    if match is None:
        return None
    hours, minutes, seconds = match.groups()
    if hours is not None and int(minutes) > 59:
        return None
    return int(hours or 0) * 3600 + int(minutes) * 60 + float(seconds)


def _read_year(node: Node, mistakes: Mistakes) -> int | None:
    text = read_text(node, "'year'", mistakes)
    if text is None:
        return None
    if re.fullmatch(r"[0-9]{4}", text) and EARLIEST_YEAR <= int(text) <= LATEST_YEAR:
        return int(text)
    mistakes.add(node.place, f"'year' must have four digits, such as 1987, not {shown(text)}")
    return None


def _read_rpm(node: Node, mistakes: Mistakes) -> float | None:
    text = read_text(node, "'rpm'", mistakes)
    if text is None:
        return None
    rpm = rpm_of(text)
    if rpm is None:
        mistakes.add(
            node.place,
            f"'rpm' must be 33 (for 33 1/3), 45, 78 or another number from "
            f"{SLOWEST_RPM:g} to {FASTEST_RPM:g}, not {shown(text)}",
        )
    return rpm


def _read_sides(entry: Entry, mistakes: Mistakes) -> dict[str, tuple[SheetTrack, ...]]:
    node = entry.value
    if not isinstance(node, MappingNode):
        mistakes.add(node.place, "'sides' must name each side: A: {tracks: [...]}")
        return {}
    if len(node.entries) > MOST_SIDES:
        mistakes.add(node.place, f"there are more than {MOST_SIDES} sides")
        return {}
    sides: dict[str, tuple[SheetTrack, ...]] = {}
    seen: dict[str, str] = {}
    for side in node.entries:
        label = " ".join(unicodedata.normalize("NFC", side.key.text).split())
        if not _LABEL.fullmatch(label) or len(label) > LONGEST_LABEL:
            mistakes.add(
                side.key.place,
                f"a side needs a short label such as A or B1 (letters and digits, at most "
                f"{LONGEST_LABEL} characters), not {shown(label)}",
            )
        elif label.casefold() in seen:
            mistakes.add(
                side.key.place,
                f"the side {shown(label)} is here twice (also as {shown(seen[label.casefold()])})",
            )
        else:
            seen[label.casefold()] = label
            sides[label] = _read_tracks(side, label, mistakes)
    return sides


def _read_tracks(side: Entry, label: str, mistakes: Mistakes) -> tuple[SheetTrack, ...]:
    if isinstance(side.value, Sequence):
        mistakes.add(side.value.place, f"the tracks of side {label} belong under 'tracks:'")
        return ()
    found = read_entries(side.value, f"side {label}", ("tracks",), mistakes)
    if "tracks" not in found:
        return ()
    node = found["tracks"].value
    if not isinstance(node, Sequence):
        mistakes.add(node.place, f"the tracks of side {label} must be a list")
        return ()
    if len(node.items) > MOST_TRACKS:
        mistakes.add(node.place, f"side {label} has more than {MOST_TRACKS} tracks")
        return ()
    tracks = (_read_track(item, mistakes) for item in node.items)
    return tuple(track for track in tracks if track is not None)


def _read_track(node: Node, mistakes: Mistakes) -> SheetTrack | None:
    if not isinstance(node, MappingNode):
        title = read_text(node, "a track's title", mistakes)
        return None if title is None else SheetTrack(title)
    found = read_entries(node, "a track", ("title", "artist", "length"), mistakes)
    title = artist = None
    length: float | None = None
    if "title" in found:
        title = read_text(found["title"].value, "'title'", mistakes)
    else:
        mistakes.add(node.place, "a track needs a title; one that contains ': ' must be in quotes")
    if "artist" in found:
        artist = read_text(found["artist"].value, "'artist'", mistakes)
    if "length" in found:
        length = _read_length(found["length"].value, mistakes)
    return None if title is None else SheetTrack(title, artist, length)


def _read_length(node: Node, mistakes: Mistakes) -> float | None:
    text = read_text(node, "'length'", mistakes)
    if text is None:
        return None
    seconds = length_s(text)
    if seconds is None or not 0 < seconds <= LONGEST_TRACK_S:
        mistakes.add(
            node.place, f"'length' must be written 4:12, 4:12.5 or 1:02:03, not {shown(text)}"
        )
        return None
    return seconds


# --- which side a recording is -------------------------------------------------------------------

# "side B", "Side_2", "(side AA)"; also "B side" at the end.
_SIDE_BEFORE = re.compile(r"(?<![^\W_])side[ _\-]*([^\W_]{1,4})(?![^\W_])", re.IGNORECASE)
_SIDE_AFTER = re.compile(r"(?<![^\W_])([^\W_]{1,4})[ _\-]side[)\]]?$", re.IGNORECASE)
# The last word: "..._B1", "... - B", "... (B)"; a plain space before it counts only with a sheet.
_LAST_WORD = re.compile(r"(_| - |[(\[]| )([^\W_]{1,4})[)\]]?$")
_PLAIN_LABEL = re.compile(r"[A-Z]{1,2}[1-9]?|[1-9]", re.IGNORECASE)


def side_of(
    file_stem: str, sheet: Sheet, pattern_fields: Mapping[str, str], forced: str | None = None
) -> str | None:
    """Say which side of the record a recording is.

    In this order: what a person forced, the rule set's name pattern, the file's name, the only side
    of the sheet. A label that the sheet knows is given in the sheet's spelling.

    Args:
        file_stem: the recording's file name without its extension.
        sheet: what is on the record.
        pattern_fields: what a name pattern of the rule set found.
        forced: the side a person named, or None.

    Returns:
        The label, or None when nothing says it.
    """
    spelled = {label.casefold(): label for label in sheet.sides}
    if stated := forced or pattern_fields.get("side"):
        return spelled.get(stated.casefold(), stated)
    stem = unicodedata.normalize("NFC", file_stem).strip()
    if stem.casefold() in spelled:
        return spelled[stem.casefold()]
    if not spelled:
        return _side_in_name(stem)
    for pattern in (_SIDE_BEFORE, _SIDE_AFTER, _LAST_WORD):
        words = [match.groups()[-1].casefold() for match in pattern.finditer(stem)]
        named = [spelled[word] for word in words if word in spelled]
        if named and not (pattern is _LAST_WORD and _is_title(stem, sheet)):
            return named[-1]
    return next(iter(sheet.sides)) if len(spelled) == 1 else None


def _side_in_name(stem: str) -> str | None:
    """Without a sheet only what can hardly mean anything else counts as a side's label."""
    if re.fullmatch(r"[A-Z][1-9]?", stem):
        return stem
    for pattern in (_SIDE_BEFORE, _SIDE_AFTER):
        for match in reversed(list(pattern.finditer(stem))):
            ends = not stem[match.end() :].strip(" )]") or stem[match.end()] in ")]_"
            if ends and _PLAIN_LABEL.fullmatch(match[1]):
                return match[1].upper()
    last = _LAST_WORD.search(stem)
    if last and last[1] != " " and re.fullmatch(r"[A-H][1-9]?", last[2]):
        return last[2]
    return None


def _is_title(stem: str, sheet: Sheet) -> bool:
    """Whether the name is just the record's title ("Plan B"), so that its last word is no label."""
    titles = {sheet.title, f"{sheet.artist} - {sheet.title}"}
    return stem.casefold() in {title.casefold() for title in titles if title}


# --- one sheet out of all that is known ----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Merged:
    """A sheet with what other sources could add; `origins` says where each field came from."""

    sheet: Sheet
    origins: Mapping[str, str]


def merge(sheet: Sheet, name_fields: Mapping[str, str], recorder_tags: Mapping[str, str]) -> Merged:
    """Complete a sheet: the sheet itself first, then the name's pattern, then the recorder's tags.

    Args:
        sheet: as a person wrote it, or an empty one.
        name_fields: what `patterns.Pattern.match` found.
        recorder_tags: INFO or bext fields under our own names (`album`, `title`, `date`, ...).
    """
    tags = {**recorder_tags}
    if tags.get("album"):  # the record's title; `title` is the recording's own name
        tags["title"] = tags["album"]
    tags["year"] = tags.get("year") or tags.get("date", "")
    origins: dict[str, str] = {}
    for key in (*_TEXTS, "year", "rpm"):
        if getattr(sheet, key) is not None:
            origins[key] = f"sheet {sheet.source}".strip()
            continue
        for source, fields in (("file name", name_fields), ("recorder's tags", tags)):
            value = _as_field(key, fields.get(key, ""))
            if value is not None:
                sheet = replace(sheet, **{key: value})
                origins[key] = source
                break
    return Merged(sheet, origins)


def _as_field(key: str, written: str) -> Any:
    """Read a field of another source with a sheet's checks; what does not pass is ignored."""
    unheard = Mistakes("")
    node = Scalar(START, " ".join(written.split()), quoted=True)
    if key == "year":
        match = re.match(r"[0-9]{4}(?![0-9])", node.text)
        return _read_year(replace(node, text=match[0]), unheard) if match else None
    if key == "rpm":
        return rpm_of(written)
    return read_text(node, key, unheard)
