"""Small plans and measurements for the tests of steps."""

from collections.abc import Sequence
from types import SimpleNamespace
from typing import cast

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.levels import LevelMeter
from sidekeep.dsp.loudness import LoudnessMeter
from sidekeep.measurements import Measurements
from sidekeep.model import Part, Plan, Recording, Sheet, SheetTrack, Side, Span, Track

RATE_HZ = 44_100


def recording(name: str = "A.wav", frames: int = 10 * RATE_HZ, rate_hz: int = RATE_HZ) -> Recording:
    part = Part(name, frames, 6 * frames, "0" * 64)
    return Recording((part,), "wav", "int", 24, rate_hz, 2, frames)


def sheet(**changes: object) -> Sheet:
    values: dict[str, object] = {
        "artist": "Marlow and the Tide Tables",
        "title": "Low Water",
        "label": "Saltmarsh Audio",
        "catalogue": "SMA 014",
        "year": 1987,
        "genre": "jazz",
        "rpm": 100 / 3,
        "sides": {
            "A": (SheetTrack("Slack Water"), SheetTrack("Ebb", "Ida Marlow")),
            "B": (SheetTrack("Neap"), SheetTrack("Spring"), SheetTrack("Bore")),
        },
    }
    return Sheet(**(values | changes))  # type: ignore[arg-type]


def side(
    label: str | None = "A",
    titles: Sequence[str] = ("Slack Water", "Ebb"),
    frames: int = 10 * RATE_HZ,
    gain_db: tuple[float, ...] = (0.0, 0.0),
) -> Side:
    cuts = [round(index * frames / len(titles)) for index in range(len(titles) + 1)]
    tracks = tuple(
        Track(number, title, None, Span(start, end), Span(start, end), gain_db)
        for number, (title, start, end) in enumerate(zip(titles, cuts, cuts[1:], strict=False), 1)
    )
    whole = Span(0, frames)
    return Side(label, whole, whole, whole, tracks=tracks)


def plan(*sides: Side, of: Sheet | None = None, name: str = "A.wav") -> Plan:
    return Plan(
        job="20250301-a",
        recording=recording(name),
        rule_set="default",
        rule_reason="",
        sheet=sheet() if of is None else of,
        sides=sides or (side(),),
    )


def seen(audio: NDArray[np.float32], rate_hz: int = RATE_HZ) -> Measurements:
    levels, loudness = LevelMeter(rate_hz, len(audio)), LoudnessMeter(rate_hz, len(audio))
    levels.update(audio)
    loudness.update(audio)
    tables = SimpleNamespace(levels=levels.finish(), loudness=loudness.finish(), rate_hz=rate_hz)
    return cast("Measurements", tables)
