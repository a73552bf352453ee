"""Figures for a monitoring system: one text file in the OpenMetrics format, replaced atomically.

A collector reads the file when it likes. Ages are given as points in time, so that a service that
died raises the alarm by its silence.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from sidekeep.service.states import State


@dataclass(frozen=True, slots=True)
class Figures:
    """What is told. Times are seconds since 1970 (UTC); None where there is none yet."""

    jobs: Mapping[State, int]
    waiting_files: int
    ignored_files: int
    free_bytes: int
    offline: bool
    last_success_s: float | None
    last_scan_s: float | None
    audit_oldest_s: float | None = None
    audit_errors: int | None = None


def render(figures: Figures) -> str:
    """Write the figures as OpenMetrics text (version 1.0, ends with `# EOF`)."""
    lines: list[str] = []

    def gauge(name: str, help_text: str, samples: Mapping[str, float | None]) -> None:
        told = {labels: value for labels, value in samples.items() if value is not None}
        if told:
            unit = next((u for u in ("seconds", "bytes") if name.endswith("_" + u)), "")
            lines.append(f"# TYPE sidekeep_{name} gauge")
            lines.extend([f"# UNIT sidekeep_{name} {unit}"] if unit else [])
            lines.append(f"# HELP sidekeep_{name} {help_text}")
            lines.extend(f"sidekeep_{name}{labels} {value:.15g}" for labels, value in told.items())

    by_state = {f'{{state="{state}"}}': float(count) for state, count in figures.jobs.items()}
    gauge("jobs", "Jobs by state.", by_state)
    gauge(
        "inbox_waiting",
        "Recordings in the inbox that are not complete yet.",
        {"": figures.waiting_files},
    )
    gauge("inbox_ignored", "Files in the inbox that are none of ours.", {"": figures.ignored_files})
    gauge("free_bytes", "Free space on the archive's file system.", {"": figures.free_bytes})
    gauge("offline", "1 while a folder or its marker is missing.", {"": figures.offline})
    gauge(
        "last_success_timestamp_seconds", "When a job was last filed.", {"": figures.last_success_s}
    )
    gauge(
        "last_scan_timestamp_seconds",
        "When the inbox was last looked at.",
        {"": figures.last_scan_s},
    )
    gauge(
        "audit_oldest_timestamp_seconds",
        "When the job whose check lies back longest was checked.",
        {"": figures.audit_oldest_s},
    )
    gauge("audit_errors", "Faults that the last audit found.", {"": figures.audit_errors})
    return "\n".join([*lines, "# EOF", ""])


def write(path: Path, figures: Figures) -> None:
    """Replace the file at `path` by the new figures, so that no reader meets half of them."""
    beside = path.with_name(path.name + ".new")
    beside.write_text(render(figures), encoding="utf-8")
    os.replace(beside, path)  # noqa: PTH105
