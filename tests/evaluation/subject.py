"""The program under evaluation: measure once, decide as often as there are sheets."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from composer import ComposedSide
from sidekeep.decide import decide, draft
from sidekeep.dsp.treatment import Treatment
from sidekeep.measure import measure
from sidekeep.measurements import Measurements, from_arrays, to_arrays
from sidekeep.model import Part, Plan, Recording, Sheet
from sidekeep.rulesets import load_rule_sets
from sidekeep.steps import STEPS

DECIDED = ("trim", "balance", "split", "level", "verdict")


def sections(rules: str) -> Mapping[str, Any]:
    """The settings of a shipped rule set, without the steps that only name and place files."""
    found = _rule_sets()[rules].sections
    return {
        step.name: found.get(step.name) if step.name in DECIDED or step.treat else None
        for step in STEPS
    }


@cache
def _rule_sets() -> Mapping[str, Any]:
    return load_rule_sets((), {step.name: step.settings for step in STEPS})


def measured_file(path: Path, rules: str, *, reuse: bool) -> tuple[Recording, Measurements]:
    """Measure a file as the rule set treats it.

    Args:
        path: the audio file.
        rules: name of the rule set.
        reuse: take the tables of an earlier run, for work on decisions only.
    """
    info = soundfile.info(path)
    bits = int(info.subtype.removeprefix("PCM_"))
    recording = _recording(path.name, bits, info.samplerate, info.frames)
    kept = path.with_suffix(".npz")
    if reuse and kept.exists():
        with np.load(kept) as stored:
            return recording, from_arrays(dict(stored))
    seen = _measured(_file_blocks(path), recording, rules)
    arrays: dict[str, Any] = dict(to_arrays(seen))
    np.savez(kept, **arrays)
    return recording, seen


def measured_side(side: ComposedSide, bits: int, rules: str) -> tuple[Recording, Measurements]:
    """Measure a composed side without a file between, quantised to a word length."""
    recording = _recording("side.wav", bits, side.rate_hz, side.samples.shape[1])
    return recording, _measured(_side_blocks(side, bits), recording, rules)


def decided(recording: Recording, seen: Measurements, sheet: Sheet, rules: str) -> Plan:
    """Decide, as for a file that is named for side A."""
    label = "A" if sheet.sides else None
    plan = Plan("evaluation", recording, rules, "asked for", sheet)
    return decide(draft(plan, seen, label), seen, sections(rules))


def treatments(recording: Recording, rules: str) -> tuple[Treatment, ...]:
    """What the rule set does to the sound before it is measured."""
    settings = sections(rules)
    made = (
        step.treat(recording, Sheet(), settings[step.name])
        for step in STEPS
        if step.treat is not None and settings.get(step.name) is not None
    )
    return tuple(treatment for treatment in made if treatment is not None)


def _measured(blocks: Iterator[NDArray[Any]], recording: Recording, rules: str) -> Measurements:
    made = treatments(recording, rules)
    return measure(blocks, recording.rate_hz, recording.channels, made)


def _recording(name: str, bits: int, rate_hz: int, frames: int) -> Recording:
    part = Part(name, frames, frames * 2 * bits // 8, "0" * 64)
    return Recording((part,), "wav", "int", bits, rate_hz, 2, frames)


def _file_blocks(path: Path) -> Iterator[NDArray[Any]]:
    with soundfile.SoundFile(path) as file:
        yield from (
            np.ascontiguousarray(block.T)
            for block in file.blocks(file.samplerate, dtype="float32", always_2d=True)
        )


def _side_blocks(side: ComposedSide, bits: int) -> Iterator[NDArray[Any]]:
    steps = float(2 ** (bits - 1))
    for start in range(0, side.samples.shape[1], side.rate_hz):
        words = np.round(side.samples[:, start : start + side.rate_hz] * steps)
        yield (np.clip(words, -steps, steps - 1) / steps).astype(np.float32)
