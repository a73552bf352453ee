"""One recording through the acts: measure, decide, render, file."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from pathlib import Path

from sidekeep import planfile
from sidekeep.cores import cores
from sidekeep.delivery import LOG_NAME, Delivery
from sidekeep.dsp.gathering import give_memory_back
from sidekeep.errors import NeedsPerson
from sidekeep.forked import Forked
from sidekeep.memory import recall, remember
from sidekeep.model import Judgement, Outcome, Plan
from sidekeep.render import render
from sidekeep.report.joblog import JobLog, log_files, log_plan, open_job_log
from sidekeep.retitle import retitled
from sidekeep.rulesets import RuleSet
from sidekeep.storage.cover import Cover, read_cover
from sidekeep.storage.filehash import FileHashes
from sidekeep.storage.folders import Root
from sidekeep.storage.jobfiles import Result, read_result
from sidekeep.storage.landlock import confined_by
from sidekeep.storage.order import Order, read_order
from sidekeep.storage.reader import AudioReader
from sidekeep.study import (
    Case,
    Known,
    decided,
    hashed,
    know,
    measured,
    open_recording,
    source,
)
from sidekeep.telling import Telling


def run(
    root: Root, job: str, rule_sets: Mapping[str, RuleSet], hashes: FileHashes | None = None
) -> Result:
    """Take the job in `work/<job>/` as far as a sealed stage, or say why it must wait for a person.

    Args:
        root: the root folder.
        job: the job's name.
        rule_sets: all that may be chosen.
        hashes: hashes of the recording's files, where they are on their way already.

    Raises:
        SidekeepError: its class decides what becomes of the job.
    """
    folder = root.work / job
    order = read_order(folder)
    with (folder / LOG_NAME).open("a", encoding="utf-8") as stream:
        log = open_job_log(stream, job)
        log.info(
            "started",
            attempt=order.attempt,
            origin=order.origin,
            parts=list(order.parts),
            confined_by=confined_by(),
        )
        telling = Telling(folder)
        case = _case(folder, order)
        reader, recording = open_recording(case)
        known = know(case, recording, rule_sets)
        earlier = root.jobs / order.supersedes if order.supersedes else None
        remembered = recall(earlier or folder, known)
        hashing = None if remembered else hashes or FileHashes(case.paths)
        with hashing.standing_aside() if hashing else nullcontext():
            known, seen = remembered or measured(reader, known, telling.progress)
            log.info("measured", duration_s=known.recording.duration_s)
            plan = decided(case, known, seen, _corrections(folder, order, known))
            log_plan(log, plan)
            telling.verdict(plan)
        if hashing is not None:
            known = hashed(known, hashing)
            plan = replace(plan, recording=known.recording)
        log.info("hashed", sha256=known.recording.sha256)
        if remembered is None or earlier is not None:
            remember(folder, known, seen)
        del remembered
        give_memory_back()
        cover = _cover(folder, order, log)
        delivery = Delivery(root, folder, order, plan, seen, cover)
        if plan.outcome is Outcome.HOLD:
            delivery.keep_for_a_person()
            return _result("held", plan, "; ".join(plan.reasons), _advice(plan))
        plan = delivery.placed()
        taken = delivery.taken_over(plan)
        if taken is not None:
            log.info("files_taken_over", earlier=order.supersedes)
        with delivery.ahead(taken or plan, cores()), _audio_hash(reader, earlier) as audio_hash:
            plan = taken or render(
                plan, source(reader, known), delivery.open_sink, telling.rendering(plan), cores()
            )
            log_files(log, plan)
            result = replace(_result("staged", plan), audio_sha256=audio_hash())
            delivery.seal(plan, result)
        return result


@contextmanager
def _audio_hash(reader: AudioReader, earlier: Path | None) -> Iterator[Callable[[], str]]:
    """Hash the audio, with two cores beside the rendering; only the ledger keeps that hash.

    An earlier job's hash holds, since its recording is the same.
    """
    known = read_result(earlier) if earlier else None
    if known is not None and known.audio_sha256:
        yield lambda: known.audio_sha256
    elif cores() == 1:
        yield reader.audio_sha256
    else:
        with Forked(reader.audio_sha256) as audio:
            yield audio.result


def _paths(folder: Path, names: tuple[str, ...]) -> tuple[Path, ...]:
    return tuple(folder / name for name in names)


def _case(folder: Path, order: Order) -> Case:
    sheet = folder / order.sheet if order.sheet else None
    return Case(
        order.job, _paths(folder, order.parts), order.folder, sheet, order.rules, order.side
    )


def _corrections(folder: Path, order: Order, known: Known) -> planfile.Corrections | None:
    """Read the plan to go on from; of one that was filed the cuts count, its titles are the sheet's."""
    if order.plan is None:
        return None
    text = (folder / order.plan).read_bytes()
    written = planfile.read_corrections(text, order.plan, known.recording.duration_s)
    return written if order.supersedes is None else retitled(written, known.sheet, known.label)


def _cover(folder: Path, order: Order, log: JobLog) -> Cover | None:
    """Read the front cover; a picture that cannot be embedded must not keep a transfer waiting."""
    if order.cover is None:
        return None
    try:
        return read_cover(folder / order.cover)
    except NeedsPerson as error:
        log.warning("cover_left_out", why=error.message, advice=error.advice)
        return None


def _advice(plan: Plan) -> str:
    """Say what a person can do about a held job."""
    release = f"sidekeep release {plan.job}"
    if plan.verdict is not None and plan.verdict.judgement is Judgement.AGAIN:
        return (
            "Play the side again and drop the new recording into the inbox. "
            f"To keep this one all the same, run: {release}"
        )
    return (
        f"Look at held/{plan.job}/report.html, correct plan.yaml beside it if need be, "
        f"then run: {release}"
    )


def _result(outcome: str, plan: Plan, message: str = "", advice: str = "") -> Result:
    labels = [side.label for side in plan.sides if side.label]
    return Result(
        outcome,
        message,
        advice,
        verdict=str(plan.verdict.judgement) if plan.verdict else "",
        sentence=plan.verdict.sentence if plan.verdict else "",
        artist=plan.sheet.artist or "",
        title=plan.sheet.title or "",
        side=" ".join(labels),
        sha256=plan.recording.sha256,
        duration_s=plan.recording.duration_s,
    )
