"""Which copies are written."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from plan_parts import plan, recording, seen, side
from sidekeep.model import Copy, Level
from sidekeep.steps.deliver import STEP, CopySettings, Settings

SEEN = seen(np.zeros((2, 100), np.float32))


def copies(*wanted: CopySettings, rate_hz: int = 96_000, level: Level | None = None) -> list[Copy]:
    draft = replace(plan(replace(side(), level=level)), recording=recording(rate_hz=rate_hz))
    done = STEP.decide(draft, SEEN, Settings(copies=wanted) if wanted else Settings())
    first, second = done.sides[0].tracks
    assert first.copies == second.copies
    return list(first.copies)


def test_by_default_one_flac_of_24_bit_at_the_recordings_rate() -> None:
    assert copies() == [Copy("", "flac", 96_000, 24)]
    assert copies(rate_hz=44_100) == [Copy("", "flac", 44_100, 24)]


@pytest.mark.parametrize(
    ("name", "recorded_hz", "written_hz"),
    [
        ("mp3", 192_000, 48_000),
        ("mp3", 88_200, 44_100),
        ("ogg", 96_000, 48_000),
        ("opus", 44_100, 48_000),
        ("aiff", 88_200, 88_200),
    ],
)
def test_each_format_gets_a_rate_that_its_players_expect(
    name: str, recorded_hz: int, written_hz: int
) -> None:
    (copy,) = copies(CopySettings(format=name), rate_hz=recorded_hz)
    assert copy.rate_hz == written_hz
    assert (copy.bits is None) == (name in {"mp3", "ogg", "opus"})
    assert (copy.quality is None) == (copy.bits is not None)


def test_what_is_asked_for_is_written() -> None:
    assert copies(
        CopySettings(format="aiff", bits=16, rate_hz=44_100.0),
        CopySettings(format="ogg", quality=6.0, rate_hz=32_000.0),
    ) == [
        Copy("", "aiff", 44_100, 16, ceiling_dbtp=-0.3),
        Copy("", "ogg", 32_000, None, quality=6.0, ceiling_dbtp=-0.3),
    ]


def test_a_lossy_copy_must_stay_below_the_ceiling_of_its_side_or_track() -> None:
    level = Level(-20.0, 8.0, -4.0, -4.2, 3.0, "loudness", ceiling_dbtp=-1.5)
    lossy, lossless = copies(CopySettings(format="mp3"), CopySettings(), level=level)
    assert lossy.ceiling_dbtp == -1.5
    assert lossless.ceiling_dbtp is None
    one = side("A", ("Ebb",))
    one = replace(one, tracks=(replace(one.tracks[0], level=level),))
    done = STEP.decide(plan(one), SEEN, Settings(copies=(CopySettings(format="ogg"),)))
    assert done.sides[0].tracks[0].copies[0].ceiling_dbtp == -1.5


@pytest.mark.parametrize(("ruled_by", "to_ceiling"), [("peak", True), ("loudness", False)])
def test_a_copy_at_another_rate_comes_back_to_the_peak_that_rules(
    ruled_by: str, to_ceiling: bool
) -> None:
    level = Level(-20.0, 8.0, -4.0, -4.2, 3.0, ruled_by, ceiling_dbtp=-1.5)
    (copy,) = copies(CopySettings(rate_hz=48_000.0), level=level)
    assert (copy.ceiling_dbtp, copy.to_ceiling) == (-1.5, to_ceiling)


def test_without_a_level_a_lossy_copy_stays_below_full_scale() -> None:
    (copy,) = copies(CopySettings(format="mp3"))
    assert copy.ceiling_dbtp == -0.3


@pytest.mark.parametrize(
    "values",
    [
        {"format": "mp3", "bits": 16},
        {"format": "flac", "quality": 5.0},
        {"format": "wav", "bits": 20},
        {"format": "opus", "rate_hz": 44_100.0},
        {"format": "mp3", "rate_hz": 96_000.0},
    ],
)
def test_what_a_format_cannot_hold_is_refused(values: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=values["format"] if values["format"] != "wav" else "16"):
        CopySettings(**values)
