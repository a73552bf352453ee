"""Slips in whole sides, and music that bends its pitch or its tempo by itself.

Truth: each side is composed; what bends the pitch of everything is put in afterwards, or nothing is.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from composer import (
    Applause,
    Band,
    Chamber,
    ComposedSide,
    Groove,
    Programme,
    SideSpec,
    Solo,
    Track,
    compose,
)
from composer.faults import FAULTS
from composer.noise import Samples
from evaluation.traps import Changed
from findings_rig import findings, scene, side_of
from sidekeep.findings import pitch
from sidekeep.model import Finding, Span


def slips(side: ComposedSide) -> list[Finding]:
    return [one for one in findings(side) if one.kind == "slip"]


@pytest.mark.parametrize("programme", [Solo(key=2), Chamber(key=4)], ids=["plucked", "strings"])
@pytest.mark.parametrize("strength", [1.0, 2.0])
def test_a_slip_is_told_with_its_depth_whatever_plays(
    programme: Programme, strength: float
) -> None:
    (found,) = slips(FAULTS["slip"](side_of(programme), 16.2, strength, 5))
    assert found.span.start / 44_100 == pytest.approx(16.2, abs=0.2)
    assert found.numbers["change_percent"] == pytest.approx(-3 * strength, abs=1)


@pytest.mark.parametrize("strength", [1.0, 2.0, -1.0])
def test_a_speed_that_changes_and_stays_is_one_slip(strength: float) -> None:
    (found,) = slips(FAULTS["slip, lasting"](side_of(Band(96)), 15.4, strength, 5))
    assert found.span.start / 44_100 == pytest.approx(15.4, abs=0.2)
    assert found.numbers["change_percent"] == pytest.approx(-strength, abs=0.2)


def test_another_tuning_after_a_gap_is_no_slip() -> None:
    groove = Groove(level_dbfs=-60.0)
    tracks = (Track("Ebb", Band(), 20.0, gap_s=3.0, fade_out_s=0.5), Track("Neap", Band(88), 20.0))
    side = compose(SideSpec(tracks, seed=3, locked_s=3.0, groove=groove))
    ((end_s, start_s),) = side.truth.gaps
    seen = scene(FAULTS["slip, lasting"](side, (end_s + start_s) / 2, 1.5, 5))
    (found,) = pitch.find(seen, wow_percent=0.12, slip_percent=1.5, step_percent=0.7)
    assert found.kind == "slip"  # as long as nothing says that there is a gap
    gap = Span(round((end_s + 0.2) * 44_100), round((start_s - 0.2) * 44_100))
    parted = replace(seen, side=replace(seen.side, groove=(*seen.side.groove, gap)))
    assert pitch.find(parted, wow_percent=0.12, slip_percent=1.5, step_percent=0.7) == ()


def _trombone(sound: Samples, rate_hz: int, rng: np.random.Generator) -> Samples:
    """A slide over the music every three seconds: up by a tone and down again, with harmonics."""
    del rng
    time_s = np.arange(sound.shape[1]) / rate_hz
    up = 0.06 * np.sin(np.pi * np.clip(time_s % 3 / 1.8, 0, 1)) ** 2
    phase = 2 * np.pi * np.cumsum(233.1 * (1 + up)) / rate_hz
    tone = sum(np.sin(k * phase) / k for k in range(1, 8))
    out: Samples = sound + 0.3 * np.abs(sound).max() * tone
    return out


def _wavering(sound: Samples, rate_hz: int, rng: np.random.Generator) -> Samples:
    """A singer in front of the music, with a vibrato of half a semitone."""
    del rng
    time_s = np.arange(sound.shape[1]) / rate_hz
    notes_hz = np.array([392.0, 440.0, 349.2, 329.6])[(time_s / 2.4).astype(int) % 4]
    phase = 2 * np.pi * np.cumsum(notes_hz * (1 + 0.03 * np.sin(11 * np.pi * time_s))) / rate_hz
    tone = sum(np.sin(k * phase) / k for k in range(1, 6))
    out: Samples = sound + 0.4 * np.abs(sound).max() * tone
    return out


@pytest.mark.parametrize("change", [_trombone, _wavering], ids=["trombone", "vibrato"])
@pytest.mark.parametrize("under", [Band(104), Chamber(key=2)], ids=["band", "strings"])
def test_one_player_who_slides_or_wavers_is_neither_slip_nor_wow(
    change: object, under: Programme
) -> None:
    told = {one.kind for one in findings(side_of(Changed(under, change)))}  # type: ignore[arg-type]
    assert not {"slip", "wow"} & told


def test_fades_and_applause_are_no_slip() -> None:
    clapping = Track(
        "Applause", Applause(), 7.0, gap_s=-0.6, fade_in_s=0.8, fade_out_s=5.0, gain_db=-7.0
    )
    music = [
        Track(name, Band(bpm, key=key), 17.0, gap_s=-1.0, fade_in_s=2.0, fade_out_s=6.0)
        for name, bpm, key in (("Ebb", 96, 2), ("Neap", 110, -1))
    ]
    tracks = (music[0], replace(clapping, interlude=True), music[1])
    side = compose(SideSpec(tracks, seed=3, locked_s=4.0, groove=Groove(level_dbfs=-60.0)))
    assert slips(side) == []
