"""Findings against faults put into good sides: found, missed and false, per kind."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np

from composer import (
    Band,
    Chamber,
    ComposedSide,
    Groove,
    Loop,
    Programme,
    SideSpec,
    Track,
    compose,
)
from composer.faults import FAULTS
from composer.truth import FaultTruth, Truth
from evaluation import material
from evaluation.asked import sheet_for
from evaluation.subject import decided, measured_side
from evaluation.traps import gated, trap_sides
from sidekeep.model import Finding, Plan, Severity

PLACED = frozenset({"locked groove", "skip", "dropout", "slip", "thumps", "scratch", "cut short"})
TIME_TOLERANCE_S = 0.2
_USUAL_PLACE_S = 31.0  # into the programme
_FROM_BORDERS_S = 8.0
# What the names of faults that may be anywhere begin with.
_MOVABLE = ("locked groove", "skip", "dropout", "slip", "thump")


@dataclass(frozen=True, slots=True)
class Trial:
    """A fault at a strength on a base side; no fault at all when `fault` is empty.

    `along` says where: 0 at the first moment that is far enough from the tracks' borders, 1 at the last;
    None is the usual place.
    """

    base: str
    fault: str
    strength: float
    along: float | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a trial.

    `found` says that the fault's kind was called `listen` or `again` (any severity for the source
    format, which is for the person to know), `noted` that it was at least noted, `time_error_s` how
    far off in time; `others` are findings of other kinds that ask for attention.
    """

    trial: Trial
    kind: str
    found: bool
    noted: bool
    time_error_s: float | None
    judgement: str
    others: tuple[str, ...]


def trials(faults: list[str] | None, places: int = 1) -> Iterator[Trial]:
    """Every base clean and with every fault at both strengths; the traps, clean.

    Args:
        faults: only these faults, and nothing clean.
        places: how often a fault that has a place is tried, spread over all tracks.
    """
    for base in bases():
        if not faults:
            yield Trial(base, "", 0.0)
        for fault in FAULTS:
            if not faults or fault in faults:
                spread = fault.startswith(_MOVABLE) and places > 1
                alongs = [(k + 0.5) / places for k in range(places)] if spread else [None]
                for strength in (1.0, 2.0):
                    yield from (Trial(base, fault, strength, along) for along in alongs)
    if not faults:
        yield from (Trial(f"trap: {name}", "", 0.0) for name in (*trap_sides(), "gated"))


@cache
def bases() -> dict[str, SideSpec]:
    """Good sides of different programme: two generated, two of real music where installed."""
    pairs: dict[str, tuple[Programme, Programme]] = {
        "band": (Band(104, key=2), Band(92, key=-3, scale=1)),
        "mixed": (Chamber(key=5), Loop(126, key=3)),
    }
    found: dict[str, tuple[Track, ...]] = {
        name: (
            Track("One", first, 62.0, gap_s=2.6, fade_out_s=1.0),
            Track("Two", second, 55.0, fade_out_s=5.0),
        )
        for name, (first, second) in pairs.items()
    }
    music = material.real_music()
    for index in range(2 if music else 0):
        rng = np.random.default_rng(index)
        places = (11 * index, 11 * index + 5)
        found[f"real {index}"] = tuple(material.real_track(k, rng, 2.4) for k in places)
    levels = zip(found.items(), np.linspace(-66, -54, len(found)), strict=True)
    return {
        name: SideSpec(
            tracks,
            seed=zlib.crc32(name.encode()),
            groove=Groove(level_dbfs=float(level_dbfs), crackle_per_s=2.0),
            imbalance_db=0.5,
            peak_dbfs=-5.0,
        )
        for (name, tracks), level_dbfs in levels
    }


@cache
def _composed(base: str) -> ComposedSide:
    if base == "trap: gated":
        return gated(bases()["band"])
    if base.startswith("trap: "):
        return compose(trap_sides()[base.removeprefix("trap: ")])
    return compose(bases()[base])


def run(base: str, chosen: list[Trial], rules: str) -> list[Outcome]:
    """Run all trials of one base; the side is composed once."""
    outcomes = [_try(trial, rules) for trial in chosen if trial.base == base]
    _composed.cache_clear()
    return outcomes


def _try(trial: Trial, rules: str) -> Outcome:
    side = _composed(trial.base)
    if trial.fault:
        at_s = round(_place_s(side.truth, trial.along), 3)
        seed = zlib.crc32(trial.base.encode())
        side = FAULTS[trial.fault](side, at_s, trial.strength, seed)
    known, seen = measured_side(side, 24, rules)
    plan = decided(known, seen, sheet_for("count", side.truth))
    fault = side.truth.faults[-1] if trial.fault else None
    return _outcome(trial, fault, plan)


def _place_s(truth: Truth, along: float | None) -> float:
    """Where the fault goes; the turn that a jump leaves out lies in the same track."""
    if along is None:
        return truth.programme_start_s + _USUAL_PLACE_S
    far_s = _FROM_BORDERS_S
    starts_s = np.array([track.start_s + far_s for track in truth.tracks])
    ends_s = np.array([track.end_s - far_s - 60 / truth.rpm for track in truth.tracks])
    lengths_s = np.maximum(ends_s - starts_s, 0)
    into_s = along * lengths_s.sum()
    before_s = np.cumsum(lengths_s) - lengths_s
    track = int(np.flatnonzero(into_s >= before_s)[-1])
    return float(starts_s[track] + into_s - before_s[track])


def _outcome(trial: Trial, fault: FaultTruth | None, plan: Plan) -> Outcome:
    kind = fault.kind if fault else ""
    same = [finding for finding in plan.findings if finding.kind == kind]
    loud = [one for one in same if one.severity is not Severity.NOTE or kind == "source format"]
    errors_s = [_time_error(finding, fault, plan) for finding in loud] if fault else []
    in_time = kind not in PLACED or min(errors_s, default=1e9) <= TIME_TOLERANCE_S
    return Outcome(
        trial=trial,
        kind=kind,
        found=bool(loud) and in_time,
        noted=bool(same),
        time_error_s=min(errors_s) if errors_s and kind in PLACED else None,
        judgement=str(plan.verdict.judgement) if plan.verdict else "none",
        others=tuple(
            f"{one.severity}: {one.kind} at {plan.seconds(one.span.start):.1f} s"
            for one in plan.findings
            if one.kind != kind and one.severity is not Severity.NOTE
        ),
    )


def _time_error(finding: Finding, fault: FaultTruth, plan: Plan) -> float:
    """How far the finding begins from the fault; a repeat may be told from its first pass on."""
    begins_s = plan.seconds(finding.span.start)
    expected_s = [fault.start_s]
    if fault.kind == "locked groove":
        expected_s.append(fault.start_s - 1.8)
    if fault.kind == "cut short":
        begins_s = begins_s if fault.start_s == 0 else plan.seconds(finding.span.end)
    return min(abs(begins_s - one_s) for one_s in expected_s)


def show(outcomes: list[Outcome]) -> str:
    """Give the table of found, missed and false, and every miss and false alarm by name."""
    lines = [f"{'fault':24}{'found at 1':>12}{'found at 2':>12}{'noted':>8}{'worst time':>12}"]
    faulty = [one for one in outcomes if one.trial.fault]
    for fault in dict.fromkeys(one.trial.fault for one in faulty):
        same = [one for one in faulty if one.trial.fault == fault]
        times_s = [one.time_error_s for one in same if one.time_error_s is not None]
        worst = f"{max(times_s):.2f} s" if times_s else "-"
        shares = [_share([one for one in same if one.trial.strength == s]) for s in (1.0, 2.0)]
        noted = f"{sum(one.noted for one in same)}/{len(same)}"
        lines.append(f"{fault:24}{shares[0]:>12}{shares[1]:>12}{noted:>8}{worst:>12}")
    for strength, wanted in ((1.0, "95 %"), (2.0, "100 %")):
        at = [one for one in faulty if one.trial.strength == strength]
        if at:
            share = 100 * sum(one.found for one in at) / len(at)
            lines.append(f"found at strength {strength:.0f}: {share:.1f} %, wanted {wanted}")
    clean = [one for one in outcomes if not one.trial.fault]
    if clean:
        again, listen = (sum(one.judgement == j for one in clean) for j in ("again", "listen"))
        lines.append(f"clean sides and traps: {len(clean)}, again {again}, listen {listen}")
        lines += [
            f"  false alarm, {one.trial.base}: {'; '.join(one.others)}"
            for one in clean
            if one.others
        ]
    lines += [
        f"  missed {one.trial.fault} at {one.trial.strength:.0f} on {one.trial.base}{_along(one.trial)}"
        f"{' (noted)' if one.noted else ''}"
        f"{'' if one.time_error_s is None else f', off by {one.time_error_s:.2f} s'}"
        f"; told instead: {'; '.join(one.others) or 'nothing'}"
        for one in faulty
        if not one.found
    ]
    return "\n".join(lines)


def _along(trial: Trial) -> str:
    return "" if trial.along is None else f", {100 * trial.along:.0f} % along"


def _share(outcomes: list[Outcome]) -> str:
    return f"{sum(one.found for one in outcomes)}/{len(outcomes)}"
