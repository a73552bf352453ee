"""The job's own log, `log.jsonl`: one JSON object a line, stable event names, every decision."""

from __future__ import annotations

from collections.abc import MutableMapping
from datetime import UTC, datetime
from typing import Any, TextIO

import structlog
from structlog.typing import FilteringBoundLogger, WrappedLogger

from sidekeep.model import Plan
from sidekeep.plain import plain

JobLog = FilteringBoundLogger


def open_job_log(stream: TextIO, job: str) -> JobLog:
    """Return a logger that writes to `stream`; every line carries the job's name and a UTC time."""
    log: JobLog = structlog.wrap_logger(
        structlog.WriteLogger(stream),
        processors=[_stamp, _plain_values, structlog.processors.JSONRenderer(ensure_ascii=False)],
        wrapper_class=structlog.make_filtering_bound_logger(0),
        context_class=dict,
    )
    return log.bind(job=job)


def _stamp(
    _logger: WrappedLogger, method: str, event: MutableMapping[str, Any]
) -> MutableMapping[str, Any]:
    time = datetime.now(UTC).isoformat(timespec="milliseconds")
    return {"time": time, "event": event.pop("event"), "level": method, **event}


def _plain_values(
    _logger: WrappedLogger, _method: str, event: MutableMapping[str, Any]
) -> MutableMapping[str, Any]:
    return {name: _plain_value(value) for name, value in event.items()}


def _plain_value(value: Any) -> Any:
    if isinstance(value, str):
        return plain(value)
    if isinstance(value, float):
        return round(value, 6)
    if isinstance(value, list | tuple):
        return [_plain_value(item) for item in value]
    if isinstance(value, dict):
        return {str(name): _plain_value(item) for name, item in value.items()}
    return value if isinstance(value, int | None) else plain(str(value))


def log_plan(log: JobLog, plan: Plan) -> None:
    """Write every decision, every finding, the verdict and the outcome of a plan."""
    for decision in plan.decisions:
        log.info(
            decision.event,
            step=decision.step,
            **_without(decision.numbers, "event", "step", "level"),
        )
    for finding in plan.findings:
        log.info(
            "finding",
            kind=finding.kind,
            severity=str(finding.severity),
            start_s=plan.seconds(finding.span.start),
            end_s=plan.seconds(finding.span.end),
            detail=finding.detail,
            numbers=dict(finding.numbers),
        )
    if plan.verdict is not None:
        log.info("verdict", verdict=str(plan.verdict.judgement), sentence=plan.verdict.sentence)
    log.info("decided", outcome=str(plan.outcome), reasons=list(plan.reasons))


def log_files(log: JobLog, plan: Plan) -> None:
    """Write which files were made, and the gain each lossy copy got for its head-room."""
    for side in plan.sides:
        for track in side.tracks:
            for copy in track.copies:
                changed = copy.bits is None or copy.gain_db != 0.0
                extra = {"head_room_db": -copy.gain_db} if changed else {}
                log.info(
                    "track_written", track=track.number, path=copy.path, format=copy.format, **extra
                )


def _without(numbers: Any, *taken: str) -> dict[str, Any]:
    return {f"{name}_" if name in taken else name: value for name, value in numbers.items()}
