"""A plan as one plain object: what `sidekeep look --json` prints and other programs may read.

Times are seconds on the recording's own time line. `None` means: not measured or no evidence.
"""

from __future__ import annotations

from typing import Any

from sidekeep.model import Balance, Finding, Level, Plan, Side, Track


def summarise(plan: Plan) -> dict[str, Any]:
    """Return the plan as nested plain values with stable keys.

    A recording that holds one side has its `programme`, `balance` and `level` at the top; with more
    sides these are the first side's, and `sides` lists every one.
    """
    first = plan.sides[0] if plan.sides else None
    recording = plan.recording
    return {
        "recording": {
            "rate_hz": recording.rate_hz,
            "channels": recording.channels,
            "bits": recording.bits,
            "sample_type": recording.sample_type,
            "container": recording.container,
            "duration_s": round(recording.duration_s, 6),
            "sha256": recording.sha256,
            "files": [part.name for part in recording.parts],
        },
        "rule_set": plan.rule_set,
        "rule_reason": plan.rule_reason,
        "treatments": list(plan.treatments),
        "programme": _programme(plan, first),
        "tracks": [_track(plan, side, track) for side in plan.sides for track in side.tracks],
        "balance": _balance(first.balance if first else None),
        "level": _level(first.level if first else None),
        "sides": [_side(plan, side) for side in plan.sides],
        "findings": [_finding(plan, finding) for finding in plan.findings],
        "verdict": str(plan.verdict.judgement) if plan.verdict else None,
        "sentence": plan.verdict.sentence if plan.verdict else None,
        "outcome": str(plan.outcome),
        "reasons": list(plan.reasons),
        "decisions": [
            {"step": decision.step, "event": decision.event, **decision.numbers}
            for decision in plan.decisions
        ],
    }


def _programme(plan: Plan, side: Side | None) -> dict[str, float] | None:
    if side is None:
        return None
    return {
        "start_s": _seconds(plan, side.programme.start),
        "end_s": _seconds(plan, side.programme.end),
    }


def _side(plan: Plan, side: Side) -> dict[str, Any]:
    return {
        "side": side.label,
        "needle_down_s": _seconds(plan, side.needle_down.start),
        "needle_up_s": _seconds(plan, side.needle_down.end),
        "programme": _programme(plan, side),
        "balance": _balance(side.balance),
        "level": _level(side.level),
    }


def _track(plan: Plan, side: Side, track: Track) -> dict[str, Any]:
    return {
        "side": side.label,
        "number": track.number,
        "title": track.title,
        "artist": track.artist,
        "start_s": _seconds(plan, track.span.start),
        "end_s": _seconds(plan, track.span.end),
        "music_start_s": _seconds(plan, track.music.start),
        "music_end_s": _seconds(plan, track.music.end),
        "gain_db": [round(gain, 4) for gain in track.gain_db],
        "certainty": round(track.certainty, 3),
        "why": track.why,
        "level": _level(track.level),
        "paths": [copy.path for copy in track.copies],
    }


def _balance(balance: Balance | None) -> dict[str, Any] | None:
    if balance is None:
        return {"measured_db": None, "applied_db": 0.0, "evidence": 0.0, "reason": "balance is off"}
    return {
        "measured_db": None if balance.measured_db is None else round(balance.measured_db, 3),
        "applied_db": round(balance.applied_db, 3),
        "evidence": round(balance.evidence, 3),
        "reason": balance.reason,
    }


def _level(level: Level | None) -> dict[str, Any] | None:
    if level is None:
        return None
    return {
        "integrated_lufs": _rounded(level.integrated_lufs),
        "range_lu": _rounded(level.range_lu),
        "true_peak_dbtp": _rounded(level.true_peak_dbtp),
        "sample_peak_dbfs": _rounded(level.sample_peak_dbfs),
        "gain_db": round(level.gain_db, 4),
        "ruled_by": level.ruled_by,
    }


def _finding(plan: Plan, finding: Finding) -> dict[str, Any]:
    return {
        "kind": finding.kind,
        "severity": str(finding.severity),
        "start_s": _seconds(plan, finding.span.start),
        "end_s": _seconds(plan, finding.span.end),
        "detail": finding.detail,
        "advice": finding.advice,
        "numbers": dict(finding.numbers),
    }


def _seconds(plan: Plan, frame: int) -> float:
    return round(plan.seconds(frame), 4)


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)
