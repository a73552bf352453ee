"""The page of one job: self-contained, no script, no network; the verdict first."""

from __future__ import annotations

from html import escape

from sidekeep.measurements import Measurements
from sidekeep.model import Finding, Judgement, Level, Outcome, Plan, Severity, Side, Span, Track
from sidekeep.report import evidence, waveform
from sidekeep.report.html import MANIFEST_ROW, document, path_row, scrolling, table
from sidekeep.report.waveform import clock

_WORDS = {
    Judgement.GOOD: "✓ Good transfer",
    Judgement.LISTEN: "◐ Listen to it",
    Judgement.AGAIN: "✕ Play it again",
}
_SEVERITY = {Severity.NOTE: "· note", Severity.LISTEN: "◐ listen", Severity.AGAIN: "✕ again"}

#: Most findings, and most cuts, that get a picture of their own; the others are told in words.
_MOST_FINDINGS = _MOST_CUTS = 16

#: Findings that last longer than this speak of the whole side, not of a place.
_LONGEST_PLACE_S = 60.0


def job_page(plan: Plan, seen: Measurements, where: list[tuple[str, str]]) -> str:
    """Return the page as HTML; a filed job's gets its hash from `with_manifest`.

    Args:
        plan: the finished plan.
        seen: the tables it rests on; every picture is drawn from them.
        where: rows of (what, path) that say where the files are.
    """
    title = _title(plan)
    body = "\n".join(
        (
            f"<h1>{title}</h1>",
            _facts(plan),
            _verdict(plan),
            _side_picture(plan, seen),
            _findings(plan),
            _places(plan, seen),
            _tracks(plan),
            _cuts(plan, seen),
            _treatment(plan),
            "<h2>Groove noise and programme</h2>",
            _figure(
                "Spectrum, a wide picture",
                evidence.spectrum(plan, seen),
                "Where the groove noise meets the programme, nothing is cut.",
            ),
            _balance(plan, seen),
            "<h2>Loudness and level</h2>",
            _figure(
                "Loudness, a wide picture", waveform.loudness(plan, seen), "The tracks as filed."
            ),
            _where(where),
        )
    )
    return document(f"{title}: {_plain_verdict(plan)}", body)


def _title(plan: Plan) -> str:
    sheet = plan.sheet
    labels = [side.label for side in plan.sides if side.label]
    record = (
        " – ".join(part for part in (sheet.artist, sheet.title) if part)
        or plan.recording.parts[0].name
    )
    side = f", side {' and '.join(labels)}" if labels else ""
    return escape(record + side)


def _facts(plan: Plan) -> str:
    recording = plan.recording
    facts = (
        f"{clock(recording.duration_s)} recorded",
        f"{recording.rate_hz / 1000:g} kHz",
        f"{recording.bits} bit",
        "stereo" if recording.channels == 2 else "mono",
        recording.container,
        f"rule set {plan.rule_set} ({plan.rule_reason})",
    )
    return f'<p class="quiet">{escape(" · ".join(facts))}</p>'


def _plain_verdict(plan: Plan) -> str:
    return _WORDS[plan.verdict.judgement] if plan.verdict else "no verdict"


def _verdict(plan: Plan) -> str:
    judgement = plan.verdict.judgement if plan.verdict else Judgement.GOOD
    sentence = plan.verdict.sentence if plan.verdict else ""
    held = ""
    if plan.outcome is Outcome.HOLD:
        others = [reason for reason in plan.reasons if reason != sentence]
        reasons = "".join(f"<li>{escape(reason)}</li>" for reason in others)
        listed = f"<ul>{reasons}</ul>" if reasons else ""
        held = f"<p>This job waits for you.</p>{listed}<p>{_what_to_do(plan, judgement)}</p>"
    return (
        f'<div class="verdict {judgement}"><strong>{_plain_verdict(plan)}</strong>'
        f"<p>{escape(_after_the_verdict(sentence))}</p>{held}</div>"
    )


def _after_the_verdict(sentence: str) -> str:
    """Leave out what the verdict's one word has said already."""
    said, colon, rest = sentence.partition(": ")
    if colon and any(word.endswith(said) for word in _WORDS.values()):
        return rest[:1].upper() + rest[1:]
    return sentence


def _what_to_do(plan: Plan, judgement: Judgement) -> str:
    release = f"<code>sidekeep release {escape(plan.job)}</code>"
    if judgement is Judgement.AGAIN:
        return (
            "Play the side again and drop the new recording into the inbox. To keep this one all "
            f"the same, run {release}."
        )
    return f"Correct <code>plan.yaml</code> beside this page if need be, then run {release}."


def _side_picture(plan: Plan, seen: Measurements) -> str:
    caption = (
        "The recording as it came. Dashed lines are cuts, numbered by track. The bar below marks the "
        "programme, its holes are the gaps, and the thin line is what is kept. ✕ again, ▼ listen and "
        "· note mark findings."
    )
    return "<h2>The side</h2>" + _figure(
        "The side, a wide picture", waveform.whole_side(plan, seen), caption
    )


def _figure(name: str, svg: str, caption: str) -> str:
    return f'<figure class="wide">{scrolling(name, svg)}<figcaption>{escape(caption)}</figcaption></figure>'


def _ranked(findings: tuple[Finding, ...]) -> list[Finding]:
    order = (Severity.AGAIN, Severity.LISTEN, Severity.NOTE)
    return sorted(findings, key=lambda finding: (order.index(finding.severity), finding.span.start))


def _findings(plan: Plan) -> str:
    if not plan.findings:
        return "<h2>Findings</h2><p>None.</p>"
    rows = [_finding_row(plan, finding) for finding in _ranked(plan.findings)]
    caption = "What was noticed, most pressing first"
    return "<h2>Findings</h2>" + table("Findings", ("what", "where", "detail"), rows, caption)


def _finding_row(plan: Plan, finding: Finding) -> str:
    advice = f' <span class="quiet">{escape(finding.advice)}</span>' if finding.advice else ""
    return (
        f'<tr><th scope="row">{escape(finding.kind)}<br><span class="severity {finding.severity}">'
        f"{_SEVERITY[finding.severity]}</span></th>"
        f'<td class="where">{_where_found(plan, finding)}</td><td>{escape(finding.detail)}{advice}</td></tr>'
    )


def _where_found(plan: Plan, finding: Finding) -> str:
    throughout = {span for side in plan.sides for span in (side.programme, side.needle_down)}
    if finding.span in throughout:
        return "throughout"
    start, end = plan.seconds(finding.span.start), plan.seconds(finding.span.end)
    return clock(start) if clock(start) == clock(end) else f"{clock(start)} to {clock(end)}"


def _tracks(plan: Plan) -> str:
    rows = [_track_row(plan, side, track) for side in plan.sides for track in side.tracks]
    heads = ("#no.", "title", "#start", "#length", "#LUFS", "#dBTP", "#gain dB", "#sure")
    caption = "Times in the recording; levels as filed; sure: of the cut before it"
    return "<h2>Tracks</h2>" + table("Tracks", heads, rows, caption)


def _track_row(plan: Plan, side: Side, track: Track) -> str:
    length_s = plan.seconds(track.span.end) - plan.seconds(track.span.start)
    gain = sum(track.gain_db) / max(1, len(track.gain_db))
    level = track.level
    cells = (
        clock(plan.seconds(track.span.start)),
        clock(length_s),
        _filed(level, level.integrated_lufs if level else None, gain),
        _filed(level, level.true_peak_dbtp if level else None, gain),
        f"{gain:+.1f}",
        f"{track.certainty:.0%}",
    )
    return (
        f'<tr><td class="n">{_number(side, track)}</td><th scope="row">{escape(track.title)}</th>'
        + "".join(f'<td class="n">{cell}</td>' for cell in cells)
        + "</tr>"
    )


def _number(side: Side, track: Track) -> str:
    return escape(f"{side.label or ''}{track.number}")


def _filed(level: Level | None, value: float | None, gain_db: float) -> str:
    return "–" if level is None or value is None else f"{value + gain_db:.1f}"


def _places(plan: Plan, seen: Measurements) -> str:
    places = [
        (finding.span, f"{finding.kind} ({finding.severity})", finding.detail)
        for finding in _ranked(plan.findings)
        if _is_a_place(plan, finding)
    ]
    told = "The level around each finding, which is shaded."
    return _pictures(plan, seen, "Places to hear", told, places[:_MOST_FINDINGS])


def _is_a_place(plan: Plan, finding: Finding) -> bool:
    """Whether a finding is serious and short enough for a picture to show more than the whole side."""
    length_s = plan.seconds(finding.span.end) - plan.seconds(finding.span.start)
    return finding.severity is not Severity.NOTE and length_s <= _LONGEST_PLACE_S


def _cuts(plan: Plan, seen: Measurements) -> str:
    cuts = [
        (
            Span(track.span.start, track.span.start),
            f"before {side.label or ''}{track.number} {track.title}",
            f"{track.certainty:.0%} sure: {track.why}.",
        )
        for side in plan.sides
        for track in side.tracks[1:]
    ]
    told = "The level around each cut, which is dashed, and what speaks for it."
    drawn = _pictures(plan, seen, "Cuts", told, cuts[:_MOST_CUTS])
    others = "".join(f"<li>{_told(plan, *cut)}</li>" for cut in cuts[_MOST_CUTS:])
    return drawn + (f"<ul>{others}</ul>" if others else "")


def _pictures(
    plan: Plan, seen: Measurements, heading: str, told: str, places: list[tuple[Span, str, str]]
) -> str:
    if not places:
        return ""
    name = heading.split(maxsplit=1)[0].lower()
    drawn = "".join(
        f"<figure>{waveform.place(plan, seen, span, f'{name}{index}', label)}"
        f"<figcaption>{_told(plan, span, label, text)}</figcaption></figure>"
        for index, (span, label, text) in enumerate(places)
    )
    keys = f'<p class="quiet">{told} Light: peaks; the line: level over 10 ms or more.</p>'
    return f'<h2>{heading}</h2>{keys}<div class="places">{drawn}</div>'


def _told(plan: Plan, span: Span, label: str, text: str) -> str:
    at = clock(plan.seconds(span.start))
    return f"<strong>{at} {escape(label)}</strong> {escape(text)}"


def _treatment(plan: Plan) -> str:
    items = list(plan.treatments)
    for side in plan.sides:
        name = f"side {side.label}: " if side.label else ""
        items += [f"{name}{item}" for item in _done_to(plan, side)]
    items += _delivered(plan)
    listed = "".join(f"<li>{escape(item)}</li>" for item in items)
    return f"<h2>What was done to the sound, in order</h2><ol>{listed}</ol>"


def _done_to(plan: Plan, side: Side) -> list[str]:
    start, end = clock(plan.seconds(side.trimmed.start)), clock(plan.seconds(side.trimmed.end))
    cuts = len(side.tracks) - 1
    items = [f"trimmed to {start} to {end}" + (f", cut at {cuts} places" if cuts > 0 else "")]
    if side.balance is not None:
        applied = f"{side.balance.applied_db:+.2f} dB (positive: the left was louder)"
        items.append(f"balance corrected by {applied}: {side.balance.reason}")
    if side.level is not None:
        gain = f"gain {side.level.gain_db:+.2f} dB, ruled by {side.level.ruled_by}"
        own = side.level.ruled_by == "none"
        items.append("gain of its own for each track, in the table" if own else gain)
    fades_s = [plan.seconds(frames) for frames in (side.fade_in_frames, side.fade_out_frames)]
    items.append(f"faded in over {fades_s[0]:.2f} s and out over {fades_s[1]:.2f} s")
    return items


def _delivered(plan: Plan) -> list[str]:
    copies = [copy for side in plan.sides for track in side.tracks for copy in track.copies]
    told = []
    for copy in copies:
        words = "coded" if copy.bits is None else f"rounded once to {copy.bits} bits, with dither"
        rate = f"{copy.rate_hz / 1000:g} kHz"
        if copy.rate_hz != plan.recording.rate_hz:
            rate = f"brought to {rate}"
        told.append(f"delivered as {copy.format}: {rate}, {words}")
    return list(dict.fromkeys(told))


def _balance(plan: Plan, seen: Measurements) -> str:
    reasons = [side.balance.reason for side in plan.sides if side.balance is not None]
    told = [f"{reason[:1].upper()}{reason[1:]}." for reason in reasons]
    picture = evidence.balance(plan, seen) if told else ""
    if not picture:
        return ""
    caption = "A mix's centre shows as one narrow peak that all bands share. " + " ".join(told)
    return "<h2>Balance</h2>" + _figure("Balance, a wide picture", picture, caption)


def _where(where: list[tuple[str, str]]) -> str:
    rows = [*(path_row(what, path) for what, path in where), MANIFEST_ROW]
    return "<h2>Where the files are</h2>" + table("Where the files are", (), rows)
