"""The report: well formed, self-contained, escaped, light enough, readable by everybody."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from acts_rig import rules
from composer import Band, SideSpec, Track, compose, sheet_text, write
from sidekeep.look import study
from sidekeep.measurements import Measurements
from sidekeep.model import Finding, Judgement, Plan, Severity, Span, Verdict
from sidekeep.report.html import with_manifest
from sidekeep.report.page import job_page
from sidekeep.study import Case

VOID = {"meta", "br", "link", "img", "hr", "input"}
HOSTILE = '</title><script>alert("x")</script>&amp;'


class Outline(HTMLParser):
    """Checks nesting and gathers what matters to a reader."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.headings: list[int] = []
        self.names: list[str] = []
        self.figures = 0
        self.labelled = 0

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.names.append(tag)
        given = dict(attributes)
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag == "svg":
            self.figures += 1
            self.labelled += given.get("role") == "img" and bool(given.get("aria-label"))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


@pytest.fixture(scope="module")
def looked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Plan, Measurements]:
    """A side with twelve short tracks and three findings."""
    folder = tmp_path_factory.mktemp("report")
    tracks = tuple(
        Track(f"Piece {n}", Band(tempo_bpm=80 + 7 * n, key=n), 14.0, gap_s=2.0) for n in range(12)
    )
    side = compose(SideSpec(tracks, seed=3, locked_s=4.0))
    write(side, folder / "A.wav")
    names = [(HOSTILE if n == 4 else f"Piece {n}", None) for n in range(12)]
    text = sheet_text(artist="Marlow & <Tide>", title="Twelve", sides={"A": names})
    (folder / "A.yaml").write_text(text, encoding="utf-8")
    case = Case("20260101-a", (folder / "A.wav",), sheet=folder / "A.yaml")
    plan, seen = study(case, rules(folder / "rules"))
    rate = seen.rate_hz
    findings = (
        Finding(
            "locked groove", Severity.AGAIN, Span(20 * rate, 25 * rate), "It repeats.", {}, "Clean."
        ),
        Finding("skip", Severity.LISTEN, Span(60 * rate, 61 * rate), "It jumps."),
        Finding("clicks", Severity.NOTE, Span(5 * rate, 150 * rate), "2 clicks a minute."),
    )
    return replace(plan, findings=findings), seen


@pytest.fixture(scope="module")
def page(looked: tuple[Plan, Measurements]) -> str:
    plan, seen = looked
    assert sum(len(side.tracks) for side in plan.sides) == 12
    return with_manifest(job_page(plan, seen, [("master", "masters/a & b/A.wav")]), "0" * 64)


@pytest.fixture(scope="module")
def outline(page: str) -> Outline:
    outline = Outline()
    outline.feed(page)
    assert outline.open == []
    return outline


def test_a_side_with_twelve_tracks_stays_light(page: str) -> None:
    assert len(page.encode()) < 1_500_000


def test_however_much_is_found_it_stays_light(looked: tuple[Plan, Measurements]) -> None:
    plan, seen = looked
    spans = [Span(n * seen.rate_hz, (n + 58) * seen.rate_hz) for n in range(40)]
    many = tuple(Finding("thumps", Severity.LISTEN, span, "A thump.") for span in spans)
    page = job_page(replace(plan, findings=many), seen, [])
    assert len(page.encode()) < 1_500_000
    assert page.count("A thump.") >= len(many)  # all in the table, the first with pictures


def test_it_needs_no_script_and_no_network(page: str, outline: Outline) -> None:
    assert "script" not in outline.names
    outside = re.findall(r'(?:src|href)="(?!#)([^"]*)"', page)
    assert outside == []
    assert "url(http" not in page


def test_titles_are_escaped(page: str) -> None:
    assert HOSTILE not in page
    assert "&lt;script&gt;" in page
    assert "Marlow &amp; &lt;Tide&gt;" in page


def test_headings_do_not_skip_a_level(outline: Outline) -> None:
    # WCAG 2.1, success criterion 1.3.1; technique H42.
    assert outline.headings[0] == 1
    assert outline.headings.count(1) == 1
    for before, after in zip(outline.headings, outline.headings[1:], strict=False):
        assert after <= before + 1


def test_every_picture_has_words_for_those_who_cannot_see_it(outline: Outline) -> None:
    # WCAG 2.1, success criterion 1.1.1. Whole side, 11 inner cuts, 2 findings, spectrum, loudness ...
    assert outline.figures >= 16
    assert outline.labelled == outline.figures


def test_what_scrolls_has_a_name_and_can_be_reached(page: str) -> None:
    # WCAG 2.1, success criteria 2.1.1 and 4.1.2.
    scrolling = re.findall(r'<div class="scroll"([^>]*)>', page)
    assert len(scrolling) >= 5
    for attributes in scrolling:
        assert re.fullmatch(r' role="region" aria-label="[^"]+" tabindex="0"', attributes)


def test_what_is_serious_is_enlarged_before_the_cuts(page: str) -> None:
    places, cuts = page.index("<h2>Places to hear</h2>"), page.index("<h2>Cuts</h2>")
    assert places < cuts
    assert page[places:cuts].count("<figcaption>") == 2
    assert page[cuts:].count("sure: ") == 11
    assert "throughout" not in page[:places]


def test_a_held_side_says_what_to_do(looked: tuple[Plan, Measurements]) -> None:
    plan, seen = looked
    for judgement, words in (
        (Judgement.AGAIN, "Play the side again and drop the new recording into the inbox."),
        (Judgement.LISTEN, "Correct <code>plan.yaml</code> beside this page if need be"),
    ):
        held = replace(plan.holding("why"), verdict=Verdict(judgement, "A sentence."))
        page = job_page(held, seen, [])
        assert words in page
        assert f"<code>sidekeep release {plan.job}</code>" in page


def test_pictures_are_well_formed(page: str) -> None:
    for svg in re.findall(r"<svg.*?</svg>", page, re.DOTALL):
        ET.fromstring(svg)


def test_the_same_plan_gives_the_same_page(looked: tuple[Plan, Measurements], page: str) -> None:
    plan, seen = looked
    again = job_page(plan, seen, [("master", "masters/a & b/A.wav")])
    assert with_manifest(again, "0" * 64) == page


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.1, definition."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
@pytest.mark.parametrize("ink", ["text", "quiet", "kept", "cut", "listen", "again"])
@pytest.mark.parametrize("ground", ["paper", "panel"])
def test_contrast_is_enough(scheme: int, ink: str, ground: str) -> None:
    # WCAG 2.1, success criterion 1.4.3: at least 4.5 to 1.
    css = files("sidekeep.report").joinpath("page.css").read_text(encoding="utf-8")
    colours = dict(re.findall(r"--(\w+): (#\w{6})", css.split(":root")[scheme + 1]))
    light, dark = sorted((luminance(colours[ink]), luminance(colours[ground])), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= 4.5


@pytest.mark.skipif(shutil.which("chromium") is None, reason="chromium is missing")
def test_a_browser_lays_it_out_within_a_phone(page: str, tmp_path: Path) -> None:
    """The page itself must not scroll sideways at 390 pixels; wide tables scroll inside."""
    probe = "<script>document.title = document.documentElement.scrollWidth</script></body>"
    (tmp_path / "page.html").write_text(page.replace("</body>", probe), encoding="utf-8")
    command = (
        "chromium --headless --no-sandbox --disable-gpu --disable-quic --no-first-run "
        "--disable-background-networking --disable-component-update --disable-sync "
        f"--user-data-dir={tmp_path / 'profile'} --window-size=500,800 --dump-dom"
    ).split()
    shown = subprocess.run(
        [*command, f"file://{tmp_path / 'page.html'}"], capture_output=True, text=True, check=True
    )
    title = re.search(r"<title>(\d+)</title>", shown.stdout)
    assert title is not None
    assert int(title[1]) <= 500
