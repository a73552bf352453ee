"""The small files by which a worker speaks: its progress while it runs, its result at the end.

A worker reads recordings that anybody may have dropped, so nothing it writes is believed to be well
formed: what does not fit is left out.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from sidekeep.storage.durable import read_at_most, write_atomically
from sidekeep.storage.faults import faults

PROGRESS_NAME = "progress.json"
RESULT_NAME = "result.json"
_LARGEST_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Progress:
    """Where a running job is: the act, how much of it is done (0 to 1), the verdict once known."""

    act: str = ""
    fraction: float = 0.0
    verdict: str = ""
    sentence: str = ""


@dataclass(frozen=True, slots=True)
class Result:
    """How a job ended: `staged`, `held`, `quarantined` or `deferred`, and what is known of it."""

    outcome: str
    message: str = ""
    advice: str = ""
    verdict: str = ""
    sentence: str = ""
    artist: str = ""
    title: str = ""
    side: str = ""
    sha256: str = ""
    audio_sha256: str = ""
    duration_s: float = 0.0


def write_progress(folder: Path, progress: Progress) -> None:
    """Tell how far the job is; replaced as a whole, not flushed, since it is for the moment."""
    path = folder / PROGRESS_NAME
    fresh = path.with_suffix(".new")
    with faults("writing", path):
        fresh.write_text(json.dumps(asdict(progress), ensure_ascii=False), encoding="utf-8")
        fresh.replace(path)


def write_result(folder: Path, result: Result) -> None:
    """Write how the job ended, durably.

    Raises:
        MachineFault: it cannot be written.
    """
    text = json.dumps(asdict(result), indent=1, ensure_ascii=False)
    with faults("writing", folder / RESULT_NAME):
        write_atomically(folder / RESULT_NAME, text.encode("utf-8", "replace") + b"\n")


def read_progress(folder: Path) -> Progress | None:
    """Read a job's progress; None while there is none."""
    values = _values(folder / PROGRESS_NAME)
    if values is None:
        return None
    texts = {name: _text(values.get(name)) for name in ("act", "verdict", "sentence")}
    return Progress(fraction=min(1.0, max(0.0, _number(values.get("fraction")))), **texts)


def read_result(folder: Path) -> Result | None:
    """Read a job's result; None when it is missing or makes no sense."""
    values = _values(folder / RESULT_NAME)
    if values is None or values.get("outcome") not in _OUTCOMES:
        return None
    texts = {
        name: _text(values.get(name))
        for name in Result.__dataclass_fields__
        if name != "duration_s"
    }
    return Result(duration_s=_number(values.get("duration_s")), **texts)


_OUTCOMES = frozenset({"staged", "held", "quarantined", "deferred"})


def _values(path: Path) -> dict[str, Any] | None:
    try:
        with path.open("rb") as file:
            data = read_at_most(file, _LARGEST_BYTES)
        found = json.loads(data) if len(data) <= _LARGEST_BYTES else None
    except (OSError, ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def _number(value: object) -> float:
    if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
        return float(value)
    return 0.0
