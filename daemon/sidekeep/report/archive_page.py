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


@dataclass(frozen=True, slots=True)
class JobLine:
    """One job on the page; `when` is ISO 8601 in UTC, `link` its report relative to the page."""

    job: str
    record: str
    side: str
    verdict: str
    sentence: str
    message: str
    advice: str
    when: str
    link: str = ""


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
    waiting = f"{len(state.held)} held, {len(state.quarantined)} in quarantine"
    body = "\n".join(
        (
            "<h1>Archive</h1>",
            f'<p class="quiet">{state.filed} jobs filed · {waiting} · written '
            f'<time datetime="{escape(state.written_at)}">{escape(state.written_at)}</time> · '
            '<a href="index.html">load again</a></p>',
            _disk(state),
            _table("Held: a person must decide", state.held, "Nothing is held."),
            _table(
                "Quarantine: cannot be processed", state.quarantined, "Nothing is in quarantine."
            ),
            _missing(state.missing),
            _table("Newest jobs", state.newest, "Nothing was filed yet."),
        )
    )
    return document(f"Archive: {state.filed} filed, {waiting}", body)


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


def _table(heading: str, lines: Sequence[JobLine], none: str) -> str:
    if not lines:
        return f"<h2>{heading}</h2><p>{none}</p>"
    heads = ("record", "side", "verdict", "what to know", "when")
    return f"<h2>{heading}</h2>" + table("", heads, (_row(line) for line in lines))


def _row(line: JobLine) -> str:
    name = escape(line.record or line.job)
    if line.link:
        name = f'<a href="{quote(line.link)}">{name}</a>'
    told = " ".join(escape(text) for text in (line.sentence, line.message, line.advice) if text)
    verdict = _VERDICT.get(line.verdict, escape(line.verdict))
    when = escape(line.when)
    return (
        f'<tr><th scope="row">{name}<br><code>{escape(line.job)}</code></th><td>{escape(line.side)}</td>'
        f'<td>{verdict}</td><td>{told}</td><td><time datetime="{when}">{when}</time></td></tr>'
    )


def _missing(missing: Sequence[MissingSides]) -> str:
    if not missing:
        return ""
    items = "".join(
        f"<li>{escape(record.record)}: side {escape(' and '.join(record.sides))}</li>"
        for record in missing
    )
    return f"<h2>Sides still to be played</h2><ul>{items}</ul>"
