"""The program under evaluation: measure once, decide as often as there are sheets."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from composer import ComposedSide
from sidekeep import study
from sidekeep.measure import measure
from sidekeep.measurements import Measurements, from_arrays, to_arrays
from sidekeep.model import Part, Plan, Recording, Sheet
from sidekeep.rulesets import RuleSet, load_rule_sets


@cache
def _rule_sets() -> Mapping[str, RuleSet]:
    return load_rule_sets((), study.SECTIONS)


def measured_file(path: Path, rules: str, *, reuse: bool) -> tuple[study.Known, Measurements]:
    """Measure a file as the rule set treats it.

    Args:
        path: the audio file.
        rules: name of the rule set.
        reuse: take the tables of an earlier run, for work on decisions only.
    """
    case = study.Case("evaluation", (path,), rules=rules)
    reader, recording = study.open_recording(case)
    known = study.know(case, recording, _rule_sets())
    kept = path.with_suffix(f".{rules}.npz")
    if reuse and kept.exists():
        with suppress(KeyError, TypeError), np.load(kept) as stored:
            return known, from_arrays(dict(stored))  # unless the tables have another shape now
    known, seen = study.measured(reader, known, lambda _act, _fraction: None)
    arrays: dict[str, Any] = dict(to_arrays(seen))
    np.savez(kept, **arrays)
    return known, seen


def measured_side(side: ComposedSide, bits: int, rules: str) -> tuple[study.Known, Measurements]:
    """Measure a composed side without a file between, quantised to a word length."""
    frames = side.samples.shape[1]
    part = Part("side.wav", frames, frames * 2 * bits // 8, "0" * 64)
    recording = Recording((part,), "wav", "int", bits, side.rate_hz, 2, frames)
    case = study.Case("evaluation", (Path("side.wav"),), rules=rules)
    known = study.know(case, recording, _rule_sets())
    seen = measure(lambda _room: _blocks(side, bits), side.rate_hz, 2, known.treatments())
    return known, seen


def decided(known: study.Known, seen: Measurements, sheet: Sheet) -> Plan:
    """Decide, as for a file that is named for side A.

    No verdict holds the side here, so that `held` speaks of edges, cuts and sheet alone.
    """
    case = study.Case("evaluation", (Path("A.wav"),))
    rule_set = known.choice.rule_set
    lenient = replace(rule_set.sections["verdict"], hold_on="never")
    rule_set = replace(rule_set, sections={**rule_set.sections, "verdict": lenient})
    choice = replace(known.choice, rule_set=rule_set)
    label = "A" if sheet.sides else None
    return study.decided(case, replace(known, sheet=sheet, label=label, choice=choice), seen)


def _blocks(side: ComposedSide, bits: int) -> Iterator[NDArray[Any]]:
    steps = float(2 ** (bits - 1))
    for start in range(0, side.samples.shape[1], side.rate_hz):
        words = np.round(side.samples[:, start : start + side.rate_hz] * steps)
        yield (np.clip(words, -steps, steps - 1) / steps).astype(np.float32)
