"""From a recording to its plan: what a job and `look` have in common. Writes nothing."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.choosing import Choice, choose
from sidekeep.cores import cores
from sidekeep.decide import decide, draft
from sidekeep.dsp.treatment import Chain, Treatment
from sidekeep.errors import OutsideLimits
from sidekeep.findings.silence import check_not_silent
from sidekeep.measure import Room, block_frames, measure
from sidekeep.measurements import Measurements, let_go_of
from sidekeep.model import Plan, Recording, Sheet, Span
from sidekeep.planfile import Corrections
from sidekeep.render import Source
from sidekeep.rulesets import RuleSet
from sidekeep.sheets import merge, read_sheet, side_of
from sidekeep.steps import STEPS
from sidekeep.storage.faults import faults
from sidekeep.storage.filehash import FileHashes
from sidekeep.storage.header import check_acceptable, read_header
from sidekeep.storage.reader import AudioReader

SECTIONS: Mapping[str, type[Any]] = {step.name: step.settings for step in STEPS}
SHORTEST_S = 0.02  # one cell of the finest table

Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class Case:
    """A recording and all that is known about it before it is read.

    `folder` is its inbox-relative folder; `sheet` the sheet's file; `rules` and `side` a person's
    choice where there is one.
    """

    job: str
    paths: tuple[Path, ...]
    folder: str = ""
    sheet: Path | None = None
    rules: str | None = None
    side: str | None = None

    @property
    def name(self) -> str:
        """The file name of the recording's first part."""
        return self.paths[0].name


@dataclass(frozen=True, slots=True)
class Known:
    """What holds before the first sample: the sheet with all that names and tags add, the rule set."""

    recording: Recording
    sheet: Sheet
    origins: Mapping[str, str]
    choice: Choice
    label: str | None

    def treatments(self) -> tuple[Treatment, ...]:
        """Build the rule set's treatments anew, for one reading of the audio."""
        made: list[Treatment] = []
        recording = self.recording
        for step in STEPS:
            settings = self.choice.rule_set.sections.get(step.name)
            if step.treat is None or settings is None:
                continue
            treatment = step.treat(recording, self.sheet, settings)
            if treatment is not None:
                made.append(treatment)
                recording = replace(recording, channels=treatment.channels_out)
        return tuple(made)


def open_recording(case: Case) -> tuple[AudioReader, Recording]:
    """Open a recording and check that it can be processed; its hashes are still unknown.

    Raises:
        Unusable: it can never be processed; the class and the message say why.
        MachineFault: it cannot be read.
    """
    for path in case.paths:
        with faults("reading", path):
            header = read_header(path)
        check_acceptable(header, path.name)
    reader = AudioReader(case.paths)
    if reader.frames < SHORTEST_S * reader.rate_hz:
        raise OutsideLimits(
            f"{case.name} holds only {reader.frames:,} frames, which is no side of a record.",
            "Play the side again.",
        )
    return reader, reader.recording()


def know(case: Case, recording: Recording, rule_sets: Mapping[str, RuleSet]) -> Known:
    """Gather what is known before reading: sheet, rule set and why, side.

    Raises:
        WrittenWrong: the sheet has mistakes.
        NeedsPerson: a rule set that was asked for does not exist.
    """
    written = read_sheet(case.sheet.read_bytes(), case.sheet.name) if case.sheet else Sheet()
    tagged = merge(written, {}, recording.tags)
    choice = choose(
        rule_sets, folder=case.folder, file_name=case.name, sheet=tagged.sheet, forced=case.rules
    )
    stem = PurePosixPath(case.name).stem
    fields = choice.rule_set.patterns.fields(stem, case.folder)
    merged = merge(written, fields, recording.tags)
    label = side_of(stem, merged.sheet, fields, case.side)
    return Known(recording, merged.sheet, merged.origins, choice, label)


def measured(reader: AudioReader, known: Known, progress: Progress) -> tuple[Known, Measurements]:
    """Read the recording once; return what is known now, and the tables.

    Raises:
        Damaged: decoding fails on the way.
        Silent: there is no programme.
    """
    recording = known.recording
    treatments = known.treatments()

    def read(room: Room) -> Iterator[NDArray[Any]]:
        done = 0
        for block in reader.checked_blocks(room, block_frames(recording.rate_hz)):
            done += block.shape[1]
            progress("measure", done / max(1, recording.frames))
            yield block

    seen = measure(read, recording.rate_hz, recording.channels, treatments, cores())
    let_go_of(seen)
    check_not_silent(seen)
    scale = math.prod(treatment.time_scale for treatment in treatments)
    return replace(known, recording=replace(recording, time_scale=scale)), seen


def hashed(known: Known, hashing: FileHashes) -> Known:
    """Wait for the hashes of the recording's files; no verdict needs them.

    Raises:
        MachineFault: a file could not be read.
    """
    recording = known.recording
    parts = zip(recording.parts, hashing.result(), strict=True)
    with_hashes = tuple(replace(part, sha256=sha256) for part, sha256 in parts)
    return replace(known, recording=replace(recording, parts=with_hashes))


def decided(
    case: Case, known: Known, seen: Measurements, corrections: Corrections | None = None
) -> Plan:
    """Decide everything; pure."""
    rule_set = known.choice.rule_set
    plan = Plan(
        job=case.job,
        recording=known.recording,
        rule_set=rule_set.name,
        rule_reason=known.choice.reason,
        sheet=known.sheet,
        treatments=tuple(treatment.note for treatment in known.treatments()),
    )
    plan = plan.noting("rules", "rule_set_chosen", rule_set=rule_set.name, reason=plan.rule_reason)
    plan = plan.noting("sheet", "sheet_read", side=known.label, origins=dict(known.origins))
    if rule_set.sheet_required and not known.sheet.sides and corrections is None:
        plan = plan.holding(
            "the rule set asks for a sheet and there is none; drop it beside the recording, or "
            f"run: sidekeep release {case.job} --sheet FILE"
        )
    return decide(draft(plan, seen, known.label), seen, rule_set.sections, corrections)


def source(reader: AudioReader, known: Known) -> Source:
    """Give the treated audio for rendering: exact where nothing is treated, else run from the start."""
    plain = not known.treatments()

    def read(span: Span) -> Iterator[NDArray[np.float64]]:
        if plain:
            yield from reader.blocks(span.start, span.end, dtype=np.float64)
        else:
            yield from _treated(reader, known, span)

    return Source(known.recording.rate_hz, read, costly_seek=not plain)


def _treated(reader: AudioReader, known: Known, span: Span) -> Iterator[NDArray[np.float64]]:
    chain = Chain(known.treatments(), known.recording.channels)
    at = 0

    def cut(block: NDArray[np.float64]) -> NDArray[np.float64]:
        return block[:, max(0, span.start - at) : max(0, span.end - at)]

    for block in reader.blocks(dtype=np.float64):
        treated = chain.process(block)
        if (piece := cut(treated)).shape[1]:
            yield piece
        at += treated.shape[1]
        if at >= span.end:
            return
    if (piece := cut(chain.flush())).shape[1]:
        yield piece
