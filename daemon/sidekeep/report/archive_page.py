"""The page of the whole archive: what came in last, what waits for a person, what is still missing.

Plain text and tables only; imports nothing heavy, since the service itself writes it after each job.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from urllib.parse import quote

from sidekeep.report.html import document, table

_VERDICT = {"good": "✓ good", "listen": "◐ listen", "again": "✕ again"}
_HELD = (
    "<p>Open the report in the job's folder. Correct <code>plan.yaml</code> there if need be and run "
    "<code>sidekeep release JOB</code>; or play the side again, drop the new recording into the inbox, "
    "and delete this folder yourself.</p>"
)
_QUARANTINE = (
    "<p>Each lies in its folder with the reason. Put it right and run <code>sidekeep retry JOB</code>, "
    "or delete the folder yourself.</p>"
)


@dataclass(frozen=True, slots=True)
class JobLine:
    """One job on the page.

    `when` is ISO 8601 in UTC; `link` its report, relative to the page; `folder` where a job that waits
    lies, relative to the root.
    """

    job: str
    record: str
    side: str
    verdict: str
    sentence: str
    message: str
    advice: str
    when: str
    link: str = ""
    folder: str = ""


@dataclass(frozen=True, slots=True)
class MissingSides:
    """A record whose sheet lists sides that were not filed yet."""

    record: str
    sides: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ArchiveState:
    """What the page shows."""

    written_at: str
    filed: int
    newest: Sequence[JobLine]
    held: Sequence[JobLine]
    quarantined: Sequence[JobLine]
    missing: Sequence[MissingSides]
    bytes_free: int
    bytes_total: int


def archive_page(state: ArchiveState) -> str:
    """Return the page as HTML."""
    counts = (
        f"{state.filed} filed · {len(state.held)} held · {len(state.quarantined)} in quarantine"
    )
    body = "\n".join(
        (
            "<h1>Archive</h1>",
            f'<p class="quiet">{counts} · written {_time(state.written_at)} · '
            '<a href="index.html">load again</a></p>',
            _disk(state),
            _table("Held: a person must decide", state.held, "Nothing is held.", _HELD),
            _table(
                "Quarantine: cannot be processed",
                state.quarantined,
                "Nothing is in quarantine.",
                _QUARANTINE,
            ),
            _missing(state.missing),
            _table("Newest jobs", state.newest, "Nothing was filed yet."),
        )
    )
    return document(f"Archive: {counts}", body)


def _disk(state: ArchiveState) -> str:
    used = 1.0 - state.bytes_free / max(1, state.bytes_total)
    free = f"{_bytes(state.bytes_free)} of {_bytes(state.bytes_total)} free"
    return f"<p>The disk is {used:.0%} full: {free}.</p>"


def _bytes(size: float) -> str:
    for unit in ("B", "kB", "MB", "GB"):
        if size < 1000:
            return f"{size:.0f} {unit}"
        size /= 1000
    return f"{size:.1f} TB"


def _table(heading: str, lines: Sequence[JobLine], none: str, told: str = "") -> str:
    if not lines:
        return f"<h2>{heading}</h2><p>{none}</p>"
    rows = [_row(line) for line in lines]
    listed = table(heading, ("record", "what to know"), rows, kind="jobs")
    return f"<h2>{heading}</h2>{told}{listed}"


def _row(line: JobLine) -> str:
    name = escape(line.record or line.job)
    name += f", side {escape(line.side)}" if line.side else ""
    if line.link:
        name = f'<a href="{quote(line.link)}">{name}</a>'
    place = escape(line.folder or line.job)
    texts = dict.fromkeys((line.sentence, line.message, line.advice))
    told = "".join(f"<p>{_lines(text)}</p>" for text in texts if text)
    return (
        f'<tr><th scope="row">{name}<p class="quiet"><code>{place}</code><br>{_time(line.when)}</p></th>'
        f"<td>{_verdict(line.verdict)}{told}</td></tr>"
    )


def _lines(text: str) -> str:
    return "<br>".join(escape(line) for line in text.splitlines())


def _verdict(verdict: str) -> str:
    if not verdict:
        return ""
    shown = _VERDICT.get(verdict, escape(verdict))
    return f'<strong class="severity {escape(verdict, quote=True)}">{shown}</strong>'


def _time(stamp: str) -> str:
    """Write an ISO 8601 time in UTC to the minute."""
    shown = f"{stamp[:10]} {stamp[11:16]} UTC" if len(stamp) > 16 else stamp
    return f'<time datetime="{escape(stamp, quote=True)}">{escape(shown)}</time>'


def _missing(missing: Sequence[MissingSides]) -> str:
    if not missing:
        return ""
    items = "".join(
        f"<li>{escape(record.record)}: side {escape(' and '.join(record.sides))}</li>"
        for record in missing
    )
    return f"<h2>Sides still to be played</h2><ul>{items}</ul>"
