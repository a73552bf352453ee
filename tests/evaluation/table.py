"""Prints the figures, overall and per family, median and worst."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from statistics import median

from evaluation.asked import DISAGREEING
from evaluation.figures import Score

SEGUES = frozenset({"segue", "applause"})


def show(scores: Sequence[Score]) -> str:
    """Give the whole report as text."""
    families = dict.fromkeys(score.family for score in scores)
    lines = [
        "Figures over all sides",
        "",
        *_overall(scores),
        "",
        "By family (median/worst)",
        "",
        _HEAD,
    ]
    lines += [_family_line(name, [s for s in scores if s.family == name]) for name in families]
    lines += ["", "What went wrong", "", *(_complaints(scores) or ["nothing"])]
    return "\n".join(lines)


def _overall(scores: Sequence[Score]) -> list[str]:
    primary = _primary(scores)
    gapped = [s for s in scores if s.family not in SEGUES]
    segued = [s for s in scores if s.family == "segue" and s.ask == "lengths"]
    unmarked = [s for s in scores if s.family in SEGUES and s.ask == "count"]
    disagreeing = [s for s in scores if s.ask in DISAGREEING]
    committed = [s.balance_error_db for s in primary if s.balance_error_db is not None]
    centred = [s for s in primary if s.centre is True]
    uneven = [s for s in primary if s.centre is False]
    clean = [s for s in primary if s.clean]
    lines = [
        _line(
            "start: nothing audible cut", _share(primary, lambda s: s.start_slack_s >= 0), "100 %"
        ),
        _line("start: excess <= 0.5 s", _within(primary, lambda s: s.start_excess_s, 0.5), "95 %"),
        _line("end: nothing audible cut", _share(primary, lambda s: s.end_slack_s >= 0), "100 %"),
        _line("end: excess <= 1.5 s", _within(primary, lambda s: s.end_excess_s, 1.5), "95 %"),
    ]
    for label, asks, wanted in (
        ("cuts, sheet gives the number", {"count"}, "98 % right, 0 wrong"),
        ("cuts, sheet gives lengths", {"lengths"}, ""),
        ("cuts, no sheet", {"none"}, "90 % right, 1 % wrong"),
    ):
        lines.append(_line(label, _results([s for s in gapped if s.ask in asks]), wanted))
    lines += [
        _line("segues, lengths given", _results(segued), "right, within 1.0 s"),
        _line("segues, only the number given", _results(unmarked), "0 wrong"),
        _line("sheet disagrees: held", _share(disagreeing, lambda s: s.result == "held"), "100 %"),
        _line("balance error <= 0.15 dB", _errors(committed), "95 %, worst 0.5 dB"),
        _line("balance commits, centre", _share(centred, lambda s: s.balance_committed), "85 %"),
        _line("balance commits, uneven mix", _share(uneven, lambda s: s.corrected_db != 0), "0"),
        _line("clean side called again", _share(clean, lambda s: s.judgement == "again"), "0"),
        _line("clean side called listen", _share(clean, lambda s: s.judgement == "listen"), "5 %"),
    ]
    loud = [error for s in primary for error in s.loudness_error_lu]
    peaks = [s.true_peak_error_db for s in primary if s.true_peak_error_db is not None]
    if loud:
        lines.append(_line("loudness against libebur128", _spread(loud, "LU"), "0.02 LU"))
    if peaks:
        low_db, high_db = min(peaks), max(peaks)
        text = f"{low_db:+.3f} to {high_db:+.3f} dB ({len(peaks)})"
        lines.append(_line("true peak against 32x", text, ">= -0.1 dB"))
    return lines


def _primary(scores: Iterable[Score]) -> list[Score]:
    """One score per side: the one with the first sheet asked for."""
    found: dict[str, Score] = {}
    for score in scores:
        found.setdefault(score.name, score)
    return list(found.values())


_HEAD = (
    f"{'family':24}{'sides':>6}{'kept':>8}{'start excess':>14}{'end excess':>14}"
    f"{'count r/h/w':>13}{'none r/h/w':>13}{'lengths r/h/w':>15}{'balance':>14}{'commits':>9}"
)


def _family_line(name: str, scores: list[Score]) -> str:
    primary = _primary(scores)
    kept = sum(s.start_slack_s >= 0 and s.end_slack_s >= 0 for s in primary)
    errors = [s.balance_error_db for s in primary if s.balance_error_db is not None]
    return (
        f"{name:24}{len(primary):6}{f'{kept}/{len(primary)}':>8}"
        f"{_brief([s.start_excess_s for s in primary]):>14}"
        f"{_brief([s.end_excess_s for s in primary]):>14}"
        f"{_counts(scores, 'count'):>13}{_counts(scores, 'none'):>13}"
        f"{_counts(scores, 'lengths'):>15}{_brief(errors):>14}{f'{len(errors)}/{len(primary)}':>9}"
    )


def _complaints(scores: Sequence[Score]) -> list[str]:
    lines = []
    for s in _primary(scores):
        if s.start_slack_s < 0:
            lines.append(f"{s.name}: {-s.start_slack_s:.2f} s of music cut from the start")
        if s.end_slack_s < 0:
            lines.append(f"{s.name}: {-s.end_slack_s:.2f} s of music cut from the end")
        if s.start_excess_s > 0.5:
            lines.append(f"{s.name}: programme begins {s.start_excess_s:.2f} s too early")
        if s.end_excess_s > 1.5:
            lines.append(f"{s.name}: programme ends {s.end_excess_s:.2f} s too late")
        if s.balance_error_db is not None and s.balance_error_db > 0.15:
            lines.append(f"{s.name}: balance off by {s.balance_error_db:.2f} dB")
        if s.centre is False and s.corrected_db:
            lines.append(f"{s.name}: an uneven mix corrected by {s.corrected_db:+.2f} dB")
        if s.centre and not s.balance_committed:
            lines.append(f"{s.name}: no balance though the mix has a centre ({s.evidence:.2f})")
        if s.clean and s.judgement != "good":
            lines.append(f"{s.name}: called {s.judgement}: {'; '.join(s.findings)}")
    for s in scores:
        worst = f", worst cut {max(s.cut_errors_s):.2f} s off" if s.cut_errors_s else ""
        about = f"{s.name}, sheet {s.ask}: {s.tracks} of {s.true_tracks} tracks{worst}"
        if s.result == "wrong":
            lines.append(f"FILED WRONG {about}")
        elif s.result == "held" and s.ask not in DISAGREEING:
            right = "right" if s.proposal_right else "wrong"
            lines.append(f"held ({right} proposal) {about}: {'; '.join(s.reasons)}")
    return lines


def _line(label: str, value: str, wanted: str) -> str:
    return f"{label:34}{value:44}{'wanted ' + wanted if wanted else ''}".rstrip()


def _share(scores: Sequence[Score], test: Callable[[Score], bool]) -> str:
    if not scores:
        return "-"
    passed = sum(map(test, scores))
    return f"{100 * passed / len(scores):5.1f} % ({passed} of {len(scores)})"


def _within(scores: Sequence[Score], value: Callable[[Score], float], limit: float) -> str:
    values = [value(s) for s in scores]
    share = _share(scores, lambda s: value(s) <= limit)
    return f"{share}, {_pair(values)} s" if values else "-"


def _results(scores: Sequence[Score]) -> str:
    if not scores:
        return "-"
    right, held, wrong = (sum(s.result == r for s in scores) for r in ("right", "held", "wrong"))
    share = 100 * right / len(scores)
    return f"{share:5.1f} % right ({right}), {held} held, {wrong} wrong"


def _counts(scores: Sequence[Score], ask: str) -> str:
    asked = [s for s in scores if s.ask == ask]
    counts = (str(sum(s.result == r for s in asked)) for r in ("right", "held", "wrong"))
    return "/".join(counts) if asked else "-"


def _errors(errors: Sequence[float]) -> str:
    if not errors:
        return "-"
    good = sum(error <= 0.15 for error in errors)
    share = 100 * good / len(errors)
    return f"{share:5.1f} % ({good} of {len(errors)}), {_pair(errors)} dB"


def _spread(errors: Sequence[float], unit: str) -> str:
    return f"median {median(errors):.4f}, worst {max(errors):.4f} {unit} ({len(errors)})"


def _pair(values: Sequence[float]) -> str:
    return f"{median(values):.2f}, worst {max(values):.2f}" if values else "-"


def _brief(values: Sequence[float]) -> str:
    return f"{median(values):.2f}/{max(values):.2f}" if values else "-"
