"""The frame of every page: complete, self-contained, no script, no network."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from importlib.resources import files

#: Where the manifest's hash will stand: it is there long after the page is drawn.
MANIFEST_ROW = "<!-- manifest -->"


def with_manifest(page: str, manifest_sha256: str) -> str:
    """Put the hash of the job's manifest into a page."""
    return page.replace(MANIFEST_ROW, path_row("SHA-256 of the manifest", manifest_sha256))


def path_row(what: str, value: str) -> str:
    """A row of a table: what it is, and a path or a hash."""
    return f'<tr><th scope="row">{escape(what)}</th><td><code>{escape(value)}</code></td></tr>'


def document(title: str, body: str) -> str:
    """Wrap a body in a complete, self-contained page; `title` and `body` are HTML."""
    css = files("sidekeep.report").joinpath("page.css").read_text(encoding="utf-8")
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{title}</title>\n<style>\n{css}</style>\n</head>\n<body>\n<main>\n{body}\n</main>\n</body>\n</html>\n"
    )


def scrolling(name: str, content: str) -> str:
    """Wrap what may be wider than the screen; `name` tells those who cannot see it what scrolls."""
    label = escape(name, quote=True)
    return f'<div class="scroll" role="region" aria-label="{label}" tabindex="0">{content}</div>'


def table(
    name: str, heads: Sequence[str], rows: Iterable[str], caption: str = "", kind: str = ""
) -> str:
    """Return a table that scrolls sideways on a narrow screen.

    Args:
        name: what the table holds, for those who cannot see the heading above it.
        heads: column names; one that starts with `#` heads a column of numbers.
        rows: complete `<tr>` elements.
        caption: plain text above the table.
        kind: a class for the style sheet.
    """
    columns = "".join(
        f'<th scope="col" class="n">{escape(head[1:])}</th>'
        if head.startswith("#")
        else f'<th scope="col">{escape(head)}</th>'
        for head in heads
    )
    named = f"<caption>{escape(caption)}</caption>" if caption else ""
    head = f"<thead><tr>{columns}</tr></thead>" if heads else ""
    opening = f'<table class="{kind}">' if kind else "<table>"
    return scrolling(name, f"{opening}{named}{head}<tbody>{''.join(rows)}</tbody></table>")
