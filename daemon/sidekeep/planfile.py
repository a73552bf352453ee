"""The plan as a YAML file that a person can read, and correct in a minute.

Its first part, `sides`, holds what a person may change: sides, cuts, titles, artists. One time per
track is enough: a track ends where the next begins unless it says otherwise. All else stands under
`decided`, for reading only.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from sidekeep.model import Outcome, Plan, Side, Track
from sidekeep.planrecord import record
from sidekeep.schema import read_entries
from sidekeep.sheets import length_s
from sidekeep.strict_yaml import Entry, Mistakes, Node, Place, Scalar, Sequence, read, shown
from sidekeep.strict_yaml import Mapping as MappingNode
from sidekeep.yaml_text import block, quoted

SURE = 0.9  # cuts below this certainty are listed at the top of the file
_READ_ONLY = re.compile(rb"^decided:", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class CorrectedTrack:
    """One track as a person left it; times in seconds of the recording."""

    title: str
    artist: str | None
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class CorrectedSide:
    """One side as a person left it."""

    label: str | None
    tracks: tuple[CorrectedTrack, ...]


@dataclass(frozen=True, slots=True)
class Corrections:
    """What a person's plan says about sides and tracks."""

    sides: tuple[CorrectedSide, ...]


# --- writing --------------------------------------------------------------------------------------


def write(plan: Plan) -> str:
    """Write a plan; the same plan gives the same text."""
    lines = [
        *(f"# {line}" if line else "#" for line in _preface(plan)),
        "",
        "sides:",
        *(line for side in plan.sides for line in _side(plan, side)),
        "",
        "# From here on for reading only: changes below this line are ignored.",
        "decided:",
        *block(record(plan), "  "),
    ]
    return "\n".join(lines) + "\n"


def time_text(seconds: float) -> str:
    """Write a time as minutes, seconds and thousandths: `m:ss.mmm`."""
    thousandths = round(seconds * 1000)
    return f"{thousandths // 60_000}:{thousandths // 1000 % 60:02d}.{thousandths % 1000:03d}"


def _preface(plan: Plan) -> Iterator[str]:
    job = _one_line(plan.job)
    yield f"Plan of job {job}."
    if plan.verdict is not None:
        yield f"Verdict: {plan.verdict.judgement}. {_one_line(plan.verdict.sentence)}"
    if plan.reasons:
        yield ""
        yield "It waits for you because:"
        yield from (f"  - {_one_line(reason)}" for reason in plan.reasons)
    doubts = [
        (side, track) for side in plan.sides for track in side.tracks if track.certainty < SURE
    ]
    if doubts:
        yield ""
        yield "Not certain (listen there, the report has a picture of each place):"
        for side, track in doubts:
            what = f"side {_one_line(side.label)}, " if side.label else ""
            start = time_text(plan.seconds(track.span.start))
            yield f"  - {what}start of track {track.number} at {start}: {_certainty(track)}"
    yield ""
    if plan.outcome is not Outcome.HOLD:
        yield "It was filed as it stands here; this file is a record and is not read again."
        return
    yield "To correct it: change titles, artists, times and sides below; take a track out or add"
    yield "one. Times are minutes:seconds of the recording. A track ends where the next begins,"
    yield "unless it has its own 'end'; the last one ends at the side's 'end'."
    yield f"Then, or if all is right as it is, run: sidekeep release {job}"


def _side(plan: Plan, side: Side) -> Iterator[str]:
    yield f"  - side: {quoted(side.label) if side.label else 'none'}"
    if not side.tracks:
        yield f"    end: {time_text(plan.seconds(side.trimmed.end))}"
        yield "    tracks: []"
        return
    yield f"    end: {time_text(plan.seconds(side.tracks[-1].span.end))}"
    yield "    tracks:"
    follows: list[Track | None] = [*side.tracks[1:], None]
    for track, after in zip(side.tracks, follows, strict=True):
        yield f"      # track {track.number}"
        start = time_text(plan.seconds(track.span.start))
        yield f"      - start: {start}  # {_certainty(track)}"
        if after is not None and after.span.start != track.span.end:
            yield f"        end: {time_text(plan.seconds(track.span.end))}"
        yield f"        title: {quoted(track.title)}"
        if track.artist is not None:
            yield f"        artist: {quoted(track.artist)}"


def _certainty(track: Track) -> str:
    word = "certain" if track.certainty >= SURE else "not certain"
    why = f": {_one_line(track.why)}" if track.why else ""
    return f"{word} ({track.certainty:.2f}){why}"


def _one_line(text: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


# --- reading --------------------------------------------------------------------------------------


def read_corrections(text: str | bytes, name: str, limit_s: float) -> Corrections:
    """Read the part of a plan that a person may change.

    What stands under `decided` is not looked at, whatever it holds.

    Args:
        text: the file's content.
        name: the file's name, for messages.
        limit_s: length of the recording in seconds; times may be rounded up to a thousandth past it.

    Raises:
        WrittenWrong: with every mistake: unknown keys, times that are none, out of order, beyond the
            recording, or over each other.
    """
    data = text if isinstance(text, bytes) else text.encode("utf-8", "surrogatepass")
    root = read(_READ_ONLY.split(data, maxsplit=1)[0], name)
    mistakes = Mistakes(name)
    entries = read_entries(root, "a plan", ("sides",), mistakes)
    reader = _Reader(mistakes, limit_s)
    if "sides" in entries:
        sides = reader.sides(entries["sides"])
    else:
        mistakes.add(root.place, "the plan has no 'sides'")
        sides = ()
    mistakes.raise_if_any()
    return Corrections(sides)


@dataclass(frozen=True, slots=True)
class _Time:
    """A time and where it stands."""

    seconds: float
    place: Place


class _Reader:
    """Reads sides and tracks in order; `_reached` is the end of what was read so far."""

    def __init__(self, mistakes: Mistakes, limit_s: float) -> None:
        self._mistakes = mistakes
        self._limit_s = limit_s
        self._reached: tuple[float, str] = (0.0, "")
        self._labels: set[str] = set()

    def sides(self, entry: Entry) -> tuple[CorrectedSide, ...]:
        """Read all sides."""
        if not isinstance(entry.value, Sequence) or not entry.value.items:
            self._mistakes.add(entry.key.place, "'sides' must be a list with at least one side")
            return ()
        nodes = entry.value.items
        many = len(nodes) > 1
        return tuple(
            self._side(node, f"side {number}, " if many else "")
            for number, node in enumerate(nodes, 1)
        )

    def _side(self, node: Node, which: str) -> CorrectedSide:
        found = read_entries(node, "a side", ("side", "end", "tracks"), self._mistakes)
        label = self._text(found["side"], "'side'") if "side" in found else None
        if label is not None and label.casefold() in {"none", ""}:
            label = None
        if label is not None:
            if label.casefold() in self._labels:
                self._mistakes.add(
                    found["side"].value.place, f"the side {shown(label)} is here twice"
                )
            self._labels.add(label.casefold())
        end = self._time(found["end"]) if "end" in found else None
        tracks = found["tracks"].value if "tracks" in found else None
        if not isinstance(tracks, Sequence) or not tracks.items:
            place = tracks.place if tracks else node.place
            self._mistakes.add(place, "a side needs 'tracks', a list with at least one track")
            return CorrectedSide(label, ())
        return CorrectedSide(label, self._tracks(tracks, end, which))

    def _tracks(
        self, node: Sequence, side_end: _Time | None, which: str
    ) -> tuple[CorrectedTrack, ...]:
        keys = ("start", "end", "title", "artist")
        written = [read_entries(item, "a track", keys, self._mistakes) for item in node.items]
        starts = [self._time(found["start"]) if "start" in found else None for found in written]
        tracks: list[CorrectedTrack] = []
        for index, (item, found) in enumerate(zip(node.items, written, strict=True)):
            title = self._text(found["title"], "'title'") if "title" in found else None
            artist = self._text(found["artist"], "'artist'") if "artist" in found else None
            if "title" not in found:
                self._mistakes.add(item.place, "a track needs a 'title'")
            if "start" not in found:
                self._mistakes.add(item.place, "a track needs a 'start'")
            last = index + 1 == len(written)
            end = side_end if last else starts[index + 1]
            if "end" in found:
                end = self._time(found["end"])
            elif last and side_end is None:
                self._mistakes.add(item.place, "the last track needs an 'end', or the side one")
            start = starts[index]
            if start and end and self._in_order(start, end, f"{which}track {index + 1}"):
                tracks.append(CorrectedTrack(title or "", artist, start.seconds, end.seconds))
        return tuple(tracks)

    def _in_order(self, start: _Time, end: _Time, what: str) -> bool:
        reached_s, before = self._reached
        if start.seconds < reached_s:
            self._mistakes.add(
                start.place,
                f"{what} starts at {time_text(start.seconds)}, before {before} ends at "
                f"{time_text(reached_s)}",
            )
            return False
        if end.seconds <= start.seconds:
            self._mistakes.add(
                end.place,
                f"{what} ends at {time_text(end.seconds)}, not after its start at "
                f"{time_text(start.seconds)}",
            )
            return False
        self._reached = (end.seconds, what)
        return True

    def _time(self, entry: Entry) -> _Time | None:
        text = self._text(entry, f"'{entry.key.text}'")
        if text is None:
            return None
        place = entry.value.place
        seconds = length_s(text)
        if seconds is None:
            self._mistakes.add(place, f"{shown(text)} is no time; write minutes:seconds, 4:12.250")
        elif seconds > self._limit_s + 0.001:
            limit = time_text(self._limit_s)
            self._mistakes.add(place, f"{shown(text)} is after the end of the recording at {limit}")
        else:
            return _Time(min(seconds, self._limit_s), place)
        return None

    def _text(self, entry: Entry, what: str) -> str | None:
        """Read text as it is: a title may hold anything when it is in quotes."""
        node = entry.value
        if not isinstance(node, Scalar):
            kind = "mapping" if isinstance(node, MappingNode) else "list"
            self._mistakes.add(node.place, f"{what} must be text, not a {kind}; put it in quotes")
        elif node.missing:
            self._mistakes.add(entry.key.place, f"{what} is empty; text with # must be in quotes")
        else:
            return node.text
        return None
