"""Good transfers of what looks like a fault: noted at most, and never as the fault they look like."""

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
    Speech,
    Track,
    compose,
)
from composer.faults import FAULTS
from evaluation.traps import TRAPS, Changed, free_tempo, gated
from findings_rig import clean_side, findings, scene, side_of
from sidekeep.findings import tempo
from sidekeep.model import Finding, Severity, Span

VERTICAL = Groove(level_dbfs=-60.0, rumble_dbfs=-46.0, rumble_vertical=True)
QUIET = Groove(level_dbfs=-72.0)

#: What each trap looks like to a careless detector.
LOOKS_LIKE = {
    "loud master": "clipping",
    "square wave": "clipping",
    "hard panned": "dead channel",
    "mono": "swapped polarity",
    "wide stereo": "swapped polarity",
    "bar of one revolution": "locked groove",
    "edits": "dropout",
    "vibrato": "wow",
    "free tempo": "slip",
    "bass at 49 Hz": "hum",
    "kick drums": "thumps",
    "percussion": "scratch",
    "bright at the end": "inner distortion",
    "dull recording": "source format",
}


def alarms(told: tuple[Finding, ...]) -> list[Finding]:
    return [one for one in told if one.severity is not Severity.NOTE]


@pytest.mark.parametrize("trap", LOOKS_LIKE)
def test_music_that_looks_like_a_fault_is_none(trap: str) -> None:
    told = findings(side_of(TRAPS[trap]))
    assert alarms(told) == []
    assert LOOKS_LIKE[trap] not in {one.kind for one in told}


@pytest.mark.parametrize(
    "programme", [TRAPS["free tempo"], Changed(Band(104), free_tempo)], ids=["solo", "band"]
)
def test_free_playing_is_noted_as_such_and_is_no_slip(programme: Programme) -> None:
    told = {one.kind: one for one in findings(side_of(programme))}
    assert told["unsteady music"].severity is Severity.NOTE
    assert told["unsteady music"].numbers["unsteady_s"] >= 20
    assert "slip" not in told


def test_a_steady_band_is_not_called_unsteady_even_where_the_platter_slips() -> None:
    slipped = FAULTS["slip"](clean_side(), 17.3, 1.0, 5)
    for side in (clean_side(), slipped):
        assert "unsteady music" not in {one.kind for one in findings(side)}


def test_free_playing_is_looked_for_between_gaps() -> None:
    """A programme of free playing, parted into pieces that are too short to tell a tempo."""
    seen = scene(side_of(TRAPS["free tempo"]))
    start = seen.side.programme.start
    (found,) = tempo.find(seen)
    assert found.span.start >= start
    gaps = tuple(Span(start + s * 44_100, start + (s + 1) * 44_100) for s in (9, 18))
    assert tempo.find(replace(seen, side=replace(seen.side, groove=gaps))) == ()


def test_every_trap_is_tried() -> None:
    assert set(LOOKS_LIKE) == set(TRAPS)


@pytest.mark.parametrize(
    ("programme", "changes"),
    [
        (Band(), {"groove": VERTICAL}),
        (Solo(), {"groove": VERTICAL}),
        (Chamber(), {"groove": QUIET, "peak_dbfs": -22.0}),
        (Chamber(), {"groove": Groove(level_dbfs=-66.0), "peak_dbfs": -36.0}),
        (Band(), {"lead_in_s": 1.0}),
        (Speech(112), {}),
        (Applause(), {}),
    ],
    ids=[
        "vertical rumble",
        "under a solo",
        "soft music",
        "very soft music",
        "cold start",
        "speech",
        "applause",
    ],
)
def test_a_good_transfer_of_an_odd_record_is_good(
    programme: Programme, changes: dict[str, object]
) -> None:
    assert alarms(findings(side_of(programme, **changes))) == []


def test_digital_silence_in_the_gaps_is_the_recorders_noise_gate() -> None:
    tracks = (Track("Ebb", Band(), 14.0, gap_s=3.0, fade_out_s=0.5), Track("Neap", Band(90), 12.0))
    side = gated(SideSpec(tracks, seed=3, locked_s=8.0, groove=Groove(level_dbfs=-60.0)))
    assert not [one for one in findings(side) if one.kind == "dropout"]


@pytest.mark.parametrize(("touched", "severity"), [(1, Severity.NOTE), (12, Severity.AGAIN)])
def test_one_touched_peak_is_a_note_and_many_are_not(touched: int, severity: Severity) -> None:
    side = clean_side()
    (found,) = (one for one in findings(_touching(side, touched)) if one.kind == "clipping")
    assert found.severity is severity
    assert found.numbers["spots"] == touched


def _touching(side: ComposedSide, touched: int) -> ComposedSide:
    """The side with so many of its peaks, a second apart, at the converter's largest word."""
    samples = side.samples.copy()
    for number in range(touched):
        start = round((8.0 + number) * side.rate_hz)
        piece = samples[0, start : start + side.rate_hz // 2]
        place = start + int(np.abs(piece).argmax())
        samples[0, place] = np.sign(samples[0, place])
    return side.with_samples(samples)


def test_the_odd_pop_is_a_note_at_most() -> None:
    popped = FAULTS["scratch"](clean_side(), 15.0, 1 / 12, 5)
    assert alarms(findings(popped)) == []


def test_a_long_fade_at_the_end_is_not_cut_short() -> None:
    track = Track("Ebb", Band(), 26.0, fade_in_s=4.0, fade_out_s=12.0)
    side = compose(SideSpec((track,), seed=3, locked_s=8.0, groove=Groove(level_dbfs=-60.0)))
    assert not [one for one in findings(side) if one.kind == "cut short"]


def test_what_is_found_keeps_its_place_when_the_side_begins_later() -> None:
    """Invariant: half a second more of lead-in moves a thump by half a second, and nothing else."""
    later = replace(clean_side(), samples=np.pad(clean_side().samples, ((0, 0), (22_050, 0))))
    later = replace(later, truth=later.truth.moved(lambda time_s: time_s + 0.5))
    near, far = (
        next(one for one in findings(FAULTS["thump"](side, at_s, 1.0, 5)) if one.kind == "thumps")
        for side, at_s in ((clean_side(), 17.3), (later, 17.8))
    )
    assert far.span.start - near.span.start == pytest.approx(22_050, abs=500)
