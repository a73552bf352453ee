"""How a plan compares with the truth: edges, cuts, balance, verdict."""

from __future__ import annotations

from dataclasses import dataclass, field

from composer import Truth
from evaluation.asked import DISAGREEING
from evaluation.cases import Case
from sidekeep.model import Outcome, Plan

EDGE_TOLERANCE_S = 0.03  # the truth's own cells are 20 ms
CUT_TOLERANCE_S = 0.25
SEGUE_TOLERANCE_S = 1.0


@dataclass(frozen=True, slots=True)
class Score:
    """One decision about one side. Times in seconds; a negative slack means music was cut.

    `start_slack_s`, `end_slack_s`: what is kept outside the programme. `start_excess_s`,
    `end_excess_s`: how far outside the programme it was believed to begin and end, padding apart.
    `result`: `right`, `held` or `wrong` for the cuts. `cut_errors_s`: how far each cut lies outside
    the true gap (or from the segue), empty when their number is wrong.
    """

    name: str
    family: str
    ask: str
    start_slack_s: float
    end_slack_s: float
    start_excess_s: float
    end_excess_s: float
    result: str
    proposal_right: bool
    tracks: int
    true_tracks: int
    cut_errors_s: tuple[float, ...]
    balance_error_db: float | None
    corrected_db: float
    evidence: float
    centre: bool | None
    judgement: str
    clean: bool
    reasons: tuple[str, ...] = ()
    findings: tuple[str, ...] = ()
    loudness_error_lu: tuple[float, ...] = field(default=())
    true_peak_error_db: float | None = None

    @property
    def balance_committed(self) -> bool:
        """Whether the balance was measured with evidence."""
        return self.balance_error_db is not None


def score(case: Case, ask: str, plan: Plan, truth: Truth) -> Score:
    """Compare a plan of one side with the truth."""
    first, last = plan.sides[0], plan.sides[-1]
    tracks = [track for side in plan.sides for track in side.tracks]
    starts_s = [plan.seconds(track.span.start) for track in tracks]
    ends_s = [plan.seconds(track.span.end) for track in tracks]
    errors = _cut_errors(ends_s[:-1], truth)
    sound = ask not in DISAGREEING
    tolerance_s = SEGUE_TOLERANCE_S if case.family == "segue" else CUT_TOLERANCE_S
    proposal_right = (
        sound
        and len(tracks) == len(truth.named)
        and len(plan.sides) == 1
        and all(error <= tolerance_s for error in errors)
    )
    filed = "right" if proposal_right else "wrong"
    balance = first.balance
    measured = balance.measured_db if balance else None
    findings = tuple(
        f"{finding.severity}: {finding.kind} at {plan.seconds(finding.span.start):.2f} s"
        for finding in plan.findings
    )
    return Score(
        name=case.name,
        family=case.family,
        ask=ask,
        start_slack_s=truth.programme_start_s - starts_s[0] + EDGE_TOLERANCE_S,
        end_slack_s=ends_s[-1] - truth.programme_end_s + EDGE_TOLERANCE_S,
        start_excess_s=truth.programme_start_s - plan.seconds(first.programme.start),
        end_excess_s=plan.seconds(last.programme.end) - truth.programme_end_s,
        result="held" if plan.outcome is Outcome.HOLD else filed,
        proposal_right=proposal_right,
        tracks=len(tracks),
        true_tracks=len(truth.named),
        cut_errors_s=errors,
        balance_error_db=None if measured is None else abs(measured - truth.balance_db),
        corrected_db=balance.applied_db if balance else 0.0,
        evidence=balance.evidence if balance else 0.0,
        centre=case.centre,
        judgement=str(plan.verdict.judgement) if plan.verdict else "none",
        clean=case.clean,
        reasons=plan.reasons,
        findings=findings,
    )


def _cut_errors(cuts_s: list[float], truth: Truth) -> tuple[float, ...]:
    if len(cuts_s) != len(truth.gaps):
        return ()
    return tuple(
        max(0.0, start_s - cut_s, cut_s - end_s)
        for cut_s, (start_s, end_s) in zip(cuts_s, truth.gaps, strict=True)
    )
