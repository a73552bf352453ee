"""The evaluation: composes sides, measures, decides, compares with the truth, prints the figures."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, replace
from functools import partial
from pathlib import Path

from composer.faults import FAULTS
from evaluation import delivered, faulty, meters, table
from evaluation.asked import sheet_for
from evaluation.cases import Case, composed
from evaluation.families import FAMILIES, cases
from evaluation.figures import Score, score
from evaluation.subject import decided, measured_file


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the evaluation."""
    options = _options().parse_args(arguments)
    if options.delivered:
        sys.stdout.write(delivered.show(delivered.run()) + "\n")
        return 0
    if options.faults is not None:
        return _findings(options)
    chosen = [
        case
        for case in cases(options.seed)
        if (not options.families or case.family in options.families)
        and (not options.only or case.name in options.only)
    ]
    if options.list:
        for case in chosen:
            sys.stdout.write(f"{case.name:16}{case.family:26}{len(case.spec.tracks)} tracks\n")
        return 0
    began = time.monotonic()
    work = partial(evaluate, reuse=options.reuse, rules=options.rules, metered=options.meters)
    scores: list[Score] = []
    with ProcessPoolExecutor(options.workers) as pool:
        for done, found in enumerate(pool.map(work, chosen), start=1):
            scores += found
            sys.stderr.write(f"\r{done} of {len(chosen)} sides")
    sys.stderr.write(f" in {time.monotonic() - began:.0f} s\n")
    sys.stdout.write(table.show(scores) + "\n")
    if options.json:
        text = json.dumps([asdict(one) for one in scores], indent=1)
        options.json.write_text(text + "\n", encoding="utf-8")
    return 0


def _findings(options: argparse.Namespace) -> int:
    """The table of findings against faults."""
    chosen = list(faulty.trials(options.faults, options.places))
    if options.only:
        chosen = [trial for trial in chosen if trial.base in options.only]
    names = list(dict.fromkeys(trial.base for trial in chosen))
    work = partial(faulty.run, chosen=chosen, rules=options.rules or "default")
    outcomes: list[faulty.Outcome] = []
    with ProcessPoolExecutor(options.workers) as pool:
        for name, found in zip(names, pool.map(work, names), strict=True):
            outcomes += found
            sys.stderr.write(f"\r{len(outcomes)} of {len(chosen)} sides, {name:24}")
    sys.stderr.write("\n")
    sys.stdout.write(faulty.show(outcomes) + "\n")
    if options.json:
        text = json.dumps([asdict(one) for one in outcomes], indent=1)
        options.json.write_text(text + "\n", encoding="utf-8")
    return 0


def evaluate(case: Case, *, reuse: bool, rules: str | None, metered: bool) -> list[Score]:
    """Compose, measure once, decide with each sheet, and score."""
    path, truth = composed(case)
    name = rules or case.rules
    known, seen = measured_file(path, name, reuse=reuse)
    plans = [decided(known, seen, sheet_for(ask, truth)) for ask in case.asks]
    scores = [score(case, ask, plan, truth) for ask, plan in zip(case.asks, plans, strict=True)]
    if metered:
        loudness_lu, peak_db = meters.errors(path, plans[0], known.treatments())
        scores[0] = replace(scores[0], loudness_error_lu=loudness_lu, true_peak_error_db=peak_db)
    return scores


def _options() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="tests/evaluation/run", description=__doc__)
    parser.add_argument("--families", nargs="+", choices=tuple(FAMILIES), metavar="FAMILY")
    parser.add_argument("--only", nargs="+", metavar="SIDE", help="sides by name, see --list")
    parser.add_argument(
        "--faults",
        nargs="*",
        choices=tuple(FAULTS),
        metavar="FAULT",
        help="the table of findings instead: all faults and clean sides, or only these faults",
    )
    parser.add_argument(
        "--places",
        type=int,
        default=1,
        help="with --faults: try those that have a place at so many",
    )
    parser.add_argument(
        "--delivered", action="store_true", help="whole jobs instead: every format measured again"
    )
    parser.add_argument("--list", action="store_true", help="list the sides and stop")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--seed", type=int, default=0, help="other sides of the same families")
    parser.add_argument("--rules", help="decide every side with this rule set")
    parser.add_argument("--reuse", action="store_true", help="take kept measurements")
    parser.add_argument(
        "--no-meters", dest="meters", action="store_false", help="no independent meters: faster"
    )
    parser.add_argument("--json", type=Path, help="write every score here, to compare two runs")
    return parser


if __name__ == "__main__":
    sys.exit(main())
