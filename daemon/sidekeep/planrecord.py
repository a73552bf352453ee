"""Everything decided about a job as plain data, for the part of a plan file that is only read."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from sidekeep.model import Finding, Level, Plan, Sheet, Side, Span, Track

Record = dict[str, Any]


def record(plan: Plan) -> Record:
    """Turn a plan into nested mappings and lists; times in seconds, spans also in frames."""
    return {
        "job": plan.job,
        "outcome": plan.outcome.value,
        "reasons": list(plan.reasons),
        "verdict": _verdict(plan),
        "rule_set": plan.rule_set,
        "rule_reason": plan.rule_reason,
        "master_path": plan.master_path,
        "recording": _recording(plan),
        "sheet": _sheet(plan.sheet),
        "treatments": list(plan.treatments),
        "sides": [_side(plan, side) for side in plan.sides],
        "findings": [_finding(plan, finding) for finding in plan.findings],
        "decisions": [
            {"step": made.step, "event": made.event, "numbers": dict(made.numbers)}
            for made in plan.decisions
        ],
    }


def _verdict(plan: Plan) -> Record | None:
    if plan.verdict is None:
        return None
    return {"judgement": plan.verdict.judgement.value, "sentence": plan.verdict.sentence}


def _recording(plan: Plan) -> Record:
    recording = plan.recording
    made = asdict(recording)
    made["parts"] = [asdict(part) for part in recording.parts]
    made["tags"] = dict(sorted(recording.tags.items()))
    return made


def _sheet(sheet: Sheet) -> Record:
    known = {
        key: value
        for key in ("source", "artist", "title", "label", "catalogue", "year", "genre", "rpm")
        if (value := getattr(sheet, key)) not in {None, ""}
    }
    sides = {label: [asdict(track) for track in tracks] for label, tracks in sheet.sides.items()}
    return {**known, "sides": sides}


def _side(plan: Plan, side: Side) -> Record:
    return {
        "label": side.label,
        "needle_down": _span(plan, side.needle_down),
        "programme": _span(plan, side.programme),
        "trimmed": _span(plan, side.trimmed),
        "groove": [_span(plan, span) for span in side.groove],
        "balance": None if side.balance is None else asdict(side.balance),
        "level": _level(side.level),
        "tracks": [_track(plan, track) for track in side.tracks],
    }


def _track(plan: Plan, track: Track) -> Record:
    return {
        "number": track.number,
        "title": track.title,
        "artist": track.artist,
        "span": _span(plan, track.span),
        "music": _span(plan, track.music),
        "gain_db": list(track.gain_db),
        "fade_in_frames": track.fade_in_frames,
        "fade_out_frames": track.fade_out_frames,
        "certainty": track.certainty,
        "why": track.why,
        "level": _level(track.level),
        "tags": dict(sorted(track.tags.items())),
        "copies": [asdict(copy) for copy in track.copies],
    }


def _level(level: Level | None) -> Record | None:
    return None if level is None else asdict(level)


def _finding(plan: Plan, finding: Finding) -> Record:
    return {
        "kind": finding.kind,
        "severity": finding.severity.value,
        "span": _span(plan, finding.span),
        "detail": finding.detail,
        "advice": finding.advice,
        "numbers": dict(finding.numbers),
    }


def _span(plan: Plan, span: Span) -> Record:
    return {
        "start_s": round(plan.seconds(span.start), 6),
        "end_s": round(plan.seconds(span.end), 6),
        "frames": [span.start, span.end],
    }
