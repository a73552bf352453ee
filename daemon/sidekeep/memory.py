"""What a job remembers between two runs: its recording's hashes and its measurements.

A held job that is released, or one that is done again, goes on from here instead of measuring again,
as long as the same treatments run before measuring.
"""

from __future__ import annotations

import json
import zipfile
from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import IO, Any, Literal

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.gathering import let_go, spooled
from sidekeep.measurements import Measurements, from_arrays, to_arrays
from sidekeep.model import Part, Recording
from sidekeep.storage.durable import writing_atomically
from sidekeep.storage.faults import faults
from sidekeep.study import Known

MEMORY_NAME = "measurements.npz"
_AT_ONCE = 1 << 18  # elements of a table


def remember(folder: Path, known: Known, seen: Measurements) -> None:
    """Write recording and measurements into the job's folder.

    Raises:
        MachineFault: it cannot be written.
    """
    facts = {"recording": asdict(known.recording), "treatments": _notes(known)}
    arrays = to_arrays(seen) | {"facts": np.asarray(json.dumps(facts, sort_keys=True))}
    path = folder / MEMORY_NAME
    # Not compressed: that takes ten times as long as writing, and saves no more than a third.
    with faults("writing", path), writing_atomically(path) as out:
        _save(out, arrays)


def _save(out: IO[bytes], arrays: Mapping[str, NDArray[Any]]) -> None:
    """Do what `numpy.savez` does, but keep no more than a part of one table in memory."""
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
        for name, array in arrays.items():
            with archive.open(f"{name}.npy", "w", force_zip64=True) as member:
                _write(member, array)


def _write(member: IO[bytes], array: NDArray[Any]) -> None:
    header = np.lib.format.header_data_from_array_1_0(array)
    np.lib.format.write_array_header_2_0(member, header)
    order: Literal["F", "C"] = "F" if header["fortran_order"] else "C"
    flags: Any = ["external_loop", "buffered", "zerosize_ok"]
    parts: Any = np.nditer(array, flags=flags, order=order, buffersize=_AT_ONCE)
    for part in parts:
        member.write(part.tobytes())
        let_go(array)


def recall(folder: Path, known: Known) -> tuple[Known, Measurements] | None:
    """Return what was remembered; None when there is nothing, or it was measured otherwise."""
    path = folder / MEMORY_NAME
    if not path.exists():
        return None
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as stored:
            arrays = {name: spooled(stored[name]) for name in stored.files}
        facts: dict[str, Any] = json.loads(str(arrays.pop("facts")))
        if facts["treatments"] != _notes(known):
            return None
        values = facts["recording"]
        parts = tuple(Part(**part) for part in values["parts"])
        recording = Recording(**(values | {"parts": parts, "tags": known.recording.tags}))
        return replace(known, recording=recording), from_arrays(arrays)
    except (OSError, EOFError, ValueError, KeyError, TypeError, RuntimeError, zipfile.BadZipFile):
        return None  # spoilt or from another version: measuring again is always right


def _notes(known: Known) -> list[str]:
    return [treatment.note for treatment in known.treatments()]
