"""The page of one job: self-contained, no script, no network; the verdict first."""

from __future__ import annotations

from html import escape

from sidekeep.measurements import Measurements
from sidekeep.model import Finding, Judgement, Level, Outcome, Plan, Severity, Track
from sidekeep.report import evidence, waveform
from sidekeep.report.html import document, table
from sidekeep.report.waveform import clock

_WORDS = {
    Judgement.GOOD: "✓ Good transfer",
    Judgement.LISTEN: "◐ Listen to it",
    Judgement.AGAIN: "✕ Play it again",
}
_SEVERITY = {Severity.NOTE: "· note", Severity.LISTEN: "◐ listen", Severity.AGAIN: "✕ again"}

#: Most places that get a picture of their own; the table lists all of them.
_MOST_PLACES = 24

#: Findings that last longer than this speak of the whole side, not of a place.
_LONGEST_PLACE_S = 60.0


#: Where the manifest's hash will stand: drawing takes longer than sealing, so it does not wait for it.
_MANIFEST_ROW = "<!-- manifest -->"


def with_manifest(page: str, manifest_sha256: str) -> str:
    """Put the hash of the job's manifest into a page."""
    return page.replace(_MANIFEST_ROW, _row("SHA-256 of the manifest", manifest_sha256))


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
            _tracks(plan),
            _places(plan, seen),
            _treatment(plan),
            "<h2>Groove noise and programme</h2>",
            _figure(
                evidence.spectrum(plan, seen),
                "Where the groove noise meets the programme, nothing is cut.",
            ),
            _balance(plan, seen),
            "<h2>Loudness and level</h2>",
            _figure(waveform.loudness(plan, seen), "The tracks as filed."),
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
        held = (
            f"<p>This job waits for you.</p>{listed}"
            f"<p>Correct <code>plan.yaml</code> beside this page, or leave it as it is, then run "
            f"<code>sidekeep release {escape(plan.job)}</code>.</p>"
        )
    return (
        f'<div class="verdict {judgement}"><strong>{_plain_verdict(plan)}</strong>'
        f"<p>{escape(sentence)}</p>{held}</div>"
    )


def _side_picture(plan: Plan, seen: Measurements) -> str:
    caption = (
        "The recording as it came. Dashed lines are cuts, numbered by track; the bar below marks what "
        "is kept; ✕ again, ▼ listen and · note mark findings."
    )
    return "<h2>The side</h2>" + _figure(waveform.whole_side(plan, seen), caption)


def _figure(svg: str, caption: str) -> str:
    return (
        f'<figure class="wide"><div class="scroll" tabindex="0">{svg}</div>'
        f"<figcaption>{escape(caption)}</figcaption></figure>"
    )


def _findings(plan: Plan) -> str:
    if not plan.findings:
        return "<h2>Findings</h2><p>None.</p>"
    order = (Severity.AGAIN, Severity.LISTEN, Severity.NOTE)
    ranked = sorted(
        plan.findings, key=lambda finding: (order.index(finding.severity), finding.span.start)
    )
    rows = [_finding_row(plan, finding) for finding in ranked]
    heads = ("how much it matters", "what", "#from", "#to", "detail")
    return "<h2>Findings</h2>" + table("What was noticed, most pressing first", heads, rows)


def _finding_row(plan: Plan, finding: Finding) -> str:
    start, end = plan.seconds(finding.span.start), plan.seconds(finding.span.end)
    advice = f' <span class="quiet">{escape(finding.advice)}</span>' if finding.advice else ""
    return (
        f'<tr><td>{_SEVERITY[finding.severity]}</td><th scope="row">{escape(finding.kind)}</th>'
        f'<td class="n">{clock(start)}</td><td class="n">{clock(end)}</td>'
        f"<td>{escape(finding.detail)}{advice}</td></tr>"
    )


def _tracks(plan: Plan) -> str:
    rows = [_track_row(plan, track) for side in plan.sides for track in side.tracks]
    heads = (
        "#no.",
        "title",
        "#start",
        "#length",
        "#LUFS",
        "#dBTP",
        "#gain dB",
        "#sure",
        "why this cut",
    )
    caption = "Times in the recording; loudness and true peak as filed"
    return "<h2>Tracks</h2>" + table(caption, heads, rows)


def _track_row(plan: Plan, track: Track) -> str:
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
        f'<tr><td class="n">{track.number}</td><th scope="row">{escape(track.title)}</th>'
        + "".join(f'<td class="n">{cell}</td>' for cell in cells)
        + f'<td class="quiet">{escape(track.why)}</td></tr>'
    )


def _filed(level: Level | None, value: float | None, gain_db: float) -> str:
    return "–" if level is None or value is None else f"{value + gain_db:.1f}"


def _places(plan: Plan, seen: Measurements) -> str:
    pictures = []
    for side in plan.sides:
        for track in side.tracks[1:]:
            at = track.span.start
            label = f"cut before {track.number} {track.title}"
            pictures.append(
                (type(track.span)(at, at), label, f"{track.certainty:.0%} sure. {track.why}")
            )
    serious = [finding for finding in plan.findings if _is_a_place(plan, finding)]
    pictures += [
        (finding.span, f"{finding.kind} ({finding.severity})", finding.detail)
        for finding in serious
    ]
    if not pictures:
        return ""
    drawn = "".join(
        f"<figure>{waveform.place(plan, seen, span, f'place{index}', label)}"
        f"<figcaption><strong>{clock(plan.seconds(span.start))} {escape(label)}</strong> "
        f"{escape(text)}</figcaption></figure>"
        for index, (span, label, text) in enumerate(pictures[:_MOST_PLACES])
    )
    return f'<h2>Cuts and places to hear</h2><div class="places">{drawn}</div>'


def _is_a_place(plan: Plan, finding: Finding) -> bool:
    """Whether a finding is serious and short enough for a picture to show more than the whole side."""
    length_s = plan.seconds(finding.span.end) - plan.seconds(finding.span.start)
    return finding.severity is not Severity.NOTE and length_s <= _LONGEST_PLACE_S


def _treatment(plan: Plan) -> str:
    items = [escape(note) for note in plan.treatments]
    for side in plan.sides:
        name = f"Side {escape(side.label)}: " if side.label else ""
        kept = (
            f"{clock(plan.seconds(side.trimmed.start))} to {clock(plan.seconds(side.trimmed.end))}"
        )
        items.append(f"{name}trimmed to {kept}")
        if side.balance is not None:
            applied, reason = side.balance.applied_db, escape(side.balance.reason)
            items.append(
                f"{name}balance corrected by {applied:+.2f} dB (positive = left was louder): {reason}"
            )
        if side.level is not None:
            items.append(
                f"{name}gain {side.level.gain_db:+.2f} dB, ruled by {escape(side.level.ruled_by)}"
            )
    listed = "".join(f"<li>{item}</li>" for item in items)
    return f"<h2>What was done to the sound, in order</h2><ol>{listed}</ol>"


def _balance(plan: Plan, seen: Measurements) -> str:
    told = [side.balance.reason for side in plan.sides if side.balance is not None]
    picture = evidence.balance(plan, seen) if told else ""
    if not picture:
        return ""
    caption = "A mix's centre shows as one narrow peak that all bands share. " + " ".join(told)
    return "<h2>Balance</h2>" + _figure(picture, caption)


def _where(where: list[tuple[str, str]]) -> str:
    rows = [*(_row(what, path) for what, path in where), _MANIFEST_ROW]
    return "<h2>Where the files are</h2>" + table("", (), rows)


def _row(what: str, value: str) -> str:
    return f'<tr><th scope="row">{escape(what)}</th><td><code>{escape(value)}</code></td></tr>'
