"""All findings together: what explains what, and the verdict with its sentence."""

from __future__ import annotations

from sidekeep.findings.scene import worst
from sidekeep.findings.skip import SURELY_JUMPED
from sidekeep.model import Finding, Judgement, Severity, Verdict

_BREAKS = {"log_odds", "breaks"}  # the numbers of findings that speak of breaks in the music


def without_echoes(found: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Leave out what something else at the same place explains.

    Breaks are explained by a locked groove or a dropout there, thumps by a stylus that jumped, or a
    step in the bass where samples are missing.
    """
    steps = [
        one.span
        for one in found
        if one.kind == "locked groove" or one.numbers.get("log_odds", 0.0) >= SURELY_JUMPED
    ]
    found = tuple(
        one
        for one in found
        if one.kind != "thumps"
        or not any(
            one.span.start - one.span.frames <= step.end and step.start <= one.span.end
            for step in steps
        )
    )
    causes = [
        one.span
        for one in found
        if one.kind in {"locked groove", "dropout"} and "log_odds" not in one.numbers
    ]
    return tuple(
        one
        for one in found
        if not _BREAKS & set(one.numbers)
        or not any(
            cause.start - 2 * cause.frames <= one.span.end - 1
            and one.span.start <= cause.end + 2 * cause.frames
            for cause in causes
        )
    )


def judge(findings: tuple[Finding, ...]) -> Verdict:
    """Put the findings together into one judgement and one sentence a person can act on.

    Notes that come without advice count what any record has; a good transfer does not speak of them.
    """
    if not findings or max(worst(one) for one in findings) == 0:
        kinds = dict.fromkeys(one.kind for one in findings if one.advice)
        noted = f" Noted: {', '.join(kinds)}." if kinds else ""
        return Verdict(Judgement.GOOD, f"A good transfer.{noted}")
    first = max(findings, key=worst)
    others = sum(one.severity is not Severity.NOTE for one in findings) - 1
    more = "" if others == 0 else f" {others} more finding{'s' * (others > 1)} in the report."
    again = first.severity is Severity.AGAIN
    opening = "Play it again" if again else "Listen to it"
    detail = first.detail[0].lower() + first.detail[1:]
    return Verdict(
        Judgement.AGAIN if again else Judgement.LISTEN, f"{opening}: {detail} {first.advice}{more}"
    )
