"""Measurements: the small tables that one reading of a recording leaves behind.

Channels are rows: every array is `(channels, cells)` or `(channels, cells, bands)`. Cells are equal
stretches of frames from frame 0; a last, incomplete cell is kept unless its table says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.bands import BandTable
from sidekeep.dsp.capture import CaptureTable
from sidekeep.dsp.events import EventTable
from sidekeep.dsp.gathering import give_memory_back, let_go
from sidekeep.dsp.image import ImageTable
from sidekeep.dsp.levels import LevelTable
from sidekeep.dsp.loudness import LoudnessTable
from sidekeep.dsp.mono import MonoTable
from sidekeep.dsp.tracing import TracingTable
from sidekeep.dsp.truepeak import TruePeakTable


@dataclass(frozen=True)
class Measurements:
    """All tables of one recording; `frames` at `rate_hz` is its length as treated.

    `capture` alone is taken from the recording before any treatment.
    """

    rate_hz: int
    channels: int
    frames: int
    levels: LevelTable
    loudness: LoudnessTable
    peaks: TruePeakTable
    bands: BandTable
    image: ImageTable
    events: EventTable
    capture: CaptureTable
    tracing: TracingTable = field(default_factory=TracingTable)
    mono: MonoTable = field(default_factory=MonoTable)


def let_go_of(seen: Measurements) -> None:
    """Give back what was read of the tables that lie in files, and what is free; they stay usable."""
    for value in to_arrays(seen).values():
        let_go(value)
    give_memory_back()


def to_arrays(seen: Measurements) -> dict[str, NDArray[Any]]:
    """Flatten the measurements into named arrays, for `numpy.savez`."""
    arrays: dict[str, NDArray[Any]] = {}
    for outer in fields(seen):
        value = getattr(seen, outer.name)
        if isinstance(value, int):
            arrays[outer.name] = np.asarray(value)
            continue
        arrays |= table_arrays(outer.name, value)
    return arrays


def table_arrays(name: str, table: Any) -> dict[str, NDArray[Any]]:
    """Flatten one table, of whatever kind."""
    return {
        f"{name}.{inner.name}": np.asarray(getattr(table, inner.name)) for inner in fields(table)
    }


def from_arrays(arrays: dict[str, NDArray[Any]]) -> Measurements:
    """Build measurements from what `to_arrays` made."""
    tables: dict[str, Any] = {}
    for outer, kind in _TABLES.items():
        values = {
            name.partition(".")[2]: a for name, a in arrays.items() if name.startswith(outer + ".")
        }
        tables[outer] = kind(**{name: a.item() if a.ndim == 0 else a for name, a in values.items()})
    for name in ("rate_hz", "channels", "frames"):
        tables[name] = int(arrays[name])
    return Measurements(**tables)


_TABLES: dict[str, type[Any]] = {
    "levels": LevelTable,
    "loudness": LoudnessTable,
    "peaks": TruePeakTable,
    "bands": BandTable,
    "image": ImageTable,
    "events": EventTable,
    "capture": CaptureTable,
    "tracing": TracingTable,
    "mono": MonoTable,
}
