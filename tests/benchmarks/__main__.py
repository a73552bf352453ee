"""Speed and memory of whole processes, as ratios to a reference run in the same minute.

The machine should have nothing else to do; a busy one changes the ratios less than the times.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict
from pathlib import Path

from benchmarks import commands, idle, sides, table
from benchmarks.table import Row

GROUPS = ("jobs", "growth", "workers", "idle", "commands", "audit")


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure and print the table."""
    options = _options().parse_args(arguments)
    measure: dict[str, Callable[[], Iterable[Row]]] = {
        "jobs": lambda: sides.whole_jobs(options.runs),
        "growth": lambda: sides.growth(options.runs),
        "workers": lambda: sides.workers(options.runs),
        "idle": lambda: idle.idle(options.idle),
        "commands": lambda: commands.commands(options.runs),
        "audit": lambda: commands.audit(options.runs),
    }
    rows: list[Row] = []
    for group in options.only or GROUPS:
        for row in measure[group]():
            rows.append(row)
            sys.stderr.write(f"{row.what}: {row.value:.3g} {row.unit}\n")
    load = " ".join(f"{value:.1f}" for value in os.getloadavg())
    sys.stdout.write(f"{table.show(rows)}\n{os.cpu_count()} cores, load at the end {load}\n")
    if options.json:
        text = json.dumps([asdict(row) for row in rows], indent=1)
        options.json.write_text(text + "\n", encoding="utf-8")
    return 0 if all(row.reached is not False for row in rows) else 1


def _options() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="tests/benchmarks/run", description=__doc__)
    parser.add_argument("--only", nargs="+", choices=GROUPS, help="only these parts of the table")
    parser.add_argument("--runs", type=int, default=3, help="runs of which the median counts")
    parser.add_argument(
        "--idle", type=float, default=20.0, metavar="SECONDS", help="rest of the service; full: 300"
    )
    parser.add_argument("--json", type=Path, help="write every figure here, to compare two runs")
    return parser


if __name__ == "__main__":
    sys.exit(main())
