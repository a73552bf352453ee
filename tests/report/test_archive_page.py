"""The archive's page: what waits and what to do, the newest jobs, the disk, sides still missing."""

from __future__ import annotations

import re

from sidekeep.report.archive_page import ArchiveState, JobLine, MissingSides, archive_page

HOSTILE = '<script>alert("x")</script>'
STAMP = "2026-01-02T03:04:05+00:00"
FILED = JobLine(
    "20260102-a", HOSTILE, "A", "good", "A good transfer.", "", "", STAMP, "jobs/20260102-a/report.html"
)  # fmt: skip
SENTENCE = "Play it again: the stylus repeated a groove at 1:40, three times."
HELD = JobLine(
    "20260102-b", "Low Water", "B", "again", SENTENCE, SENTENCE, "Play the side again.", STAMP,
    "../held/20260102-b/report.html", "held/20260102-b/",
)  # fmt: skip
REFUSED = JobLine(
    "20260102-c", "notes.wav", "", "", "", "It is a text.", "Put it where it belongs.", STAMP,
    folder="quarantine/20260102-c/",
)  # fmt: skip
STATE = ArchiveState(
    STAMP, 1, [FILED], [HELD], [REFUSED], [MissingSides("Low Water", ("C", "D"))], 250, 1000
)


def text(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", page.partition("<main>")[2]).split())


def test_it_says_what_waits_where_and_what_to_do() -> None:
    told = text(archive_page(STATE))
    for words in (
        "1 filed · 1 held · 1 in quarantine · written 2026-01-02 03:04 UTC",
        "✕ again",
        "held/20260102-b/",
        "sidekeep release JOB",
        "quarantine/20260102-c/",
        "It is a text. Put it where it belongs.",
        "sidekeep retry JOB",
        "Low Water: side C and D",
        "The disk is 75% full: 250 B of 1 kB free.",
    ):
        assert words in told
    assert told.count(SENTENCE) == 1


def test_it_leads_to_the_reports_and_nowhere_else() -> None:
    links = re.findall(r'(?:src|href)="([^"]*)"', archive_page(STATE))
    assert links == ["index.html", "../held/20260102-b/report.html", "jobs/20260102-a/report.html"]


def test_names_are_escaped_and_tables_have_heads() -> None:
    page = archive_page(STATE)
    assert HOSTILE not in page
    assert "&lt;script&gt;" in page
    assert page.count('<th scope="col">') == 6
    assert page.count('<th scope="row">') == 3


def test_an_empty_archive_says_so() -> None:
    told = text(archive_page(ArchiveState(STAMP, 0, [], [], [], [], 1, 1)))
    for words in ("Nothing is held.", "Nothing is in quarantine.", "Nothing was filed yet."):
        assert words in told
