"""Tiny sides with three rule sets: what the reliability tests send through the service."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

from composer import Band, SideSpec, Track, compose, sheet_text, write

RATE_HZ = 44_100
ONE_COPY = """\
extends: default
verdict: {hold on: never}
"""
MANY_COPIES = """\
extends: default
rumble: {corner: 20 Hz, order: 2}
verdict: {hold on: never}
deliver:
  - {format: flac, bits: 16}
  - {format: wav, bits: 24}
  - {format: mp3, quality: 2}
"""
SHEET = sheet_text(
    artist="Marlow", title="Low Water", sides={"A": [("Ebb", None)]}, rpm=33, year=1987
)
HOLDS = "extends: default\n"  # a side as short as ours is judged `again`


@dataclass(frozen=True, slots=True)
class Scenario:
    """A rule set, and what lies in the inbox."""

    name: str
    rule_set: str
    with_sheet: bool
    outcome: str


SCENARIOS = (
    Scenario("one copy", ONE_COPY, with_sheet=False, outcome="filed"),
    Scenario("many copies, sheet, cover", MANY_COPIES, with_sheet=True, outcome="filed"),
    Scenario("holds", HOLDS, with_sheet=False, outcome="held"),
)


@cache
def recording(folder: Path, seed: int = 7) -> Path:
    """Write a side of some three seconds, once; give its path."""
    path = folder / f"side-{seed}.wav"
    track = Track("Ebb", Band(key=seed % 12), 1.6)
    spec = SideSpec(
        (track,),
        seed=seed,
        needle_up_before_s=0.2,
        lead_in_s=0.6,
        run_out_s=0.5,
        locked_s=0.0,
        needle_up_after_s=0.2,
    )
    write(compose(spec), path)
    return path


def rules_for(scenario: Scenario, folder: Path) -> Path:
    """Write the rule set as the one that applies; give its folder."""
    home = folder / f"rules {scenario.name}"
    home.mkdir(parents=True, exist_ok=True)
    (home / "default.yaml").write_text(scenario.rule_set, encoding="utf-8")
    return home


def fill(inbox: Path, scenario: Scenario, folder: Path) -> None:
    """Drop the scenario's side, and what belongs to it, into the inbox."""
    (inbox / "A.wav").write_bytes(recording(folder).read_bytes())
    if scenario.with_sheet:
        (inbox / "A.yaml").write_text(SHEET, encoding="utf-8")
        (inbox / "A.png").write_bytes(PICTURE)


# One white pixel (PNG, ISO/IEC 15948).
PICTURE = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010802000000907753de"
    "0000000c49444154789c63f8ffff3f0005fe02fe0def46b80000000049454e44ae426082"
)
