"""The verdict: one sentence a person can act on, and whether the job waits."""

import numpy as np
import pytest

from composer.faults import FAULTS
from findings_rig import clean_side, scene, tables
from sidekeep.advice import ADVICE
from sidekeep.errors import Silent
from sidekeep.findings.judgement import judge
from sidekeep.findings.silence import check_not_silent
from sidekeep.model import Finding, Judgement, Outcome, Plan, Severity, Sheet, Span
from sidekeep.steps.verdict import Settings, decide, side_findings


def finding(severity: Severity, kind: str = "hum") -> Finding:
    return Finding(kind, severity, Span(0, 1), "Something was noticed.", advice=ADVICE[kind])


def test_small_things_leave_the_transfer_good() -> None:
    verdict = judge((finding(Severity.NOTE, "clipping"), finding(Severity.NOTE, "mono content")))
    assert verdict.judgement is Judgement.GOOD
    assert verdict.sentence == "A good transfer. Noted: clipping, mono content."


def test_what_any_record_has_is_not_spoken_of() -> None:
    told = side_findings(scene(clean_side()), Settings())
    assert {one.kind for one in told} == {"clicks", "groove noise"}
    assert judge(told).sentence == judge(()).sentence == "A good transfer."


def test_the_worst_finding_speaks_with_its_advice() -> None:
    verdict = judge(
        (finding(Severity.LISTEN), finding(Severity.AGAIN, "locked groove"), finding(Severity.NOTE))
    )
    assert verdict.judgement is Judgement.AGAIN
    assert verdict.sentence == (
        "Play it again: something was noticed. Clean around that spot, check tracking force and "
        "anti-skating. 1 more finding in the report."
    )


def test_something_to_hear_is_said_so() -> None:
    verdict = judge((finding(Severity.LISTEN),))
    assert verdict.judgement is Judgement.LISTEN
    assert verdict.sentence.startswith("Listen to it: ")


@pytest.mark.parametrize(
    ("hold_on", "outcome"),
    [("again", Outcome.HOLD), ("listen", Outcome.HOLD), ("never", Outcome.FILE)],
)
def test_a_failed_transfer_waits_as_the_rule_set_says(hold_on: str, outcome: Outcome) -> None:
    seen = scene(FAULTS["locked groove"](clean_side(), 17.3, 1.0, 5))
    draft = Plan("job", seen.recording, "default", "", Sheet(rpm=33), sides=(seen.side,))
    plan = decide(draft, seen.seen, Settings(hold_on=hold_on))
    assert plan.verdict is not None
    assert plan.verdict.sentence.startswith(
        "Play it again: the stylus repeated a groove at 0:17, twice."
    )
    assert plan.outcome is outcome
    assert {note.event for note in plan.decisions} == {"found", "judged"}


def test_ignored_kinds_are_not_told() -> None:
    seen = scene(FAULTS["locked groove"](clean_side(), 17.3, 1.0, 5))
    draft = Plan("job", seen.recording, "default", "", Sheet(rpm=33), sides=(seen.side,))
    plan = decide(draft, seen.seen, Settings(ignore=("locked groove", "skip")))
    assert plan.verdict is not None
    assert plan.verdict.judgement is Judgement.GOOD


def test_silence_and_bare_noise_are_refused() -> None:
    with pytest.raises(Silent, match="digital silence"):
        check_not_silent(tables(np.zeros((2, 200_000))))
    noise = 10 ** (-62 / 20) * np.random.default_rng(1).standard_normal((2, 400_000))
    with pytest.raises(Silent, match="only noise"):
        check_not_silent(tables(noise))


def test_a_side_with_music_is_not_silent() -> None:
    check_not_silent(scene(clean_side()).seen)
