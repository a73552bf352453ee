"""verdict: was it a good transfer, or should the side be played again?"""

from __future__ import annotations

from dataclasses import dataclass, replace

from sidekeep.advice import ADVICE, ORDINARY
from sidekeep.findings.judgement import judge
from sidekeep.findings.scene import Scene
from sidekeep.findings.survey import Limits, survey
from sidekeep.measurements import Measurements
from sidekeep.model import Finding, Judgement, Plan, Severity, Side
from sidekeep.settings import choice, words
from sidekeep.steps.step import Step


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings(Limits):
    """What is called worth hearing, what is called a failed transfer, and which of them hold."""

    hold_on: str = choice(
        "hold on",
        of=("never", "again", "listen"),
        default="again",
        doc="the verdict from which the job waits for a person",
    )
    ignore: tuple[str, ...] = words(
        "ignore",
        of=tuple(ADVICE),
        doc="kinds of finding that are not reported",
    )


def side_findings(scene: Scene, settings: Settings) -> tuple[Finding, ...]:
    """All findings about one side, in order of time, with advice where there is something to do."""
    kept = [
        one if one.severity is Severity.NOTE and one.kind in ORDINARY else _advised(one)
        for one in survey(scene, settings)
        if one.kind not in settings.ignore
    ]
    return tuple(sorted(kept, key=lambda one: (one.span.start, one.kind)))


def _advised(finding: Finding) -> Finding:
    return replace(finding, advice=ADVICE[finding.kind])


def decide(draft: Plan, seen: Measurements, settings: Settings) -> Plan:
    """Look at every side, judge, and hold the job where the rule set asks for it."""
    findings: tuple[Finding, ...] = ()
    for side in draft.sides:
        findings += side_findings(_scene(draft, seen, side), settings)
    verdict = judge(findings)
    plan = replace(draft, findings=findings, verdict=verdict)
    for one in findings:
        plan = plan.noting(
            "verdict",
            "found",
            kind=one.kind,
            severity=one.severity.value,
            start_s=round(plan.seconds(one.span.start), 3),
            end_s=round(plan.seconds(one.span.end), 3),
            **one.numbers,
        )
    plan = plan.noting(
        "verdict", "judged", judgement=verdict.judgement.value, sentence=verdict.sentence
    )
    holds = {
        "never": (),
        "again": (Judgement.AGAIN,),
        "listen": (Judgement.AGAIN, Judgement.LISTEN),
    }[settings.hold_on]
    return plan.holding(verdict.sentence) if verdict.judgement in holds else plan


def _scene(draft: Plan, seen: Measurements, side: Side) -> Scene:
    return Scene(seen, side, draft.recording, draft.sheet.rpm)


STEP = Step("verdict", Settings, decide)
