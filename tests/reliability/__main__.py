"""Every reliability figure, measured by one command.

The quick form takes some minutes; the full one, with every system call of three rule sets, two hours.
Exit code: 0 when all figures are as wanted, 1 when one is not, 2 when the command was called wrongly.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from reliability.checks import CHECKS, figures_of
from reliability.figures import Figure, table


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure and print the table."""
    options = _options().parse_args(arguments)
    figures: list[Figure] = []
    for name in options.only or CHECKS:
        began_s = time.monotonic()
        for figure in figures_of(name, full=options.full):
            figures.append(figure)
            seconds = time.monotonic() - began_s
            sys.stderr.write(f"{seconds:5.0f} s  {figure.what}: {figure.measured}\n")
    sys.stdout.write(f"{table(figures)}\n")
    if options.json:
        rows = [{**asdict(figure), "reached": figure.reached} for figure in figures]
        options.json.write_text(json.dumps(rows, indent=1) + "\n", encoding="utf-8")
    return 1 if any(figure.reached is False for figure in figures) else 0


def _options() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="tests/reliability/run", description=__doc__)
    size = parser.add_mutually_exclusive_group()
    size.add_argument("--quick", dest="full", action="store_false", help="few of each (default)")
    size.add_argument("--full", action="store_true", help="as many as the figures ask for")
    parser.add_argument("--only", nargs="+", choices=CHECKS, help="only these checks")
    parser.add_argument("--json", type=Path, help="write every figure here as well")
    parser.set_defaults(full=False)
    return parser


if __name__ == "__main__":
    sys.exit(main())
