from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

import plan_parts
from sidekeep.dsp.levels import LevelMeter
from sidekeep.measurements import Measurements
from sidekeep.model import Balance, Level, Plan, Side, Span
from sidekeep.settings import Measure
from sidekeep.steps.level import Settings, decide
from standard_signals import (
    Signal,
    libebur128_lufs,
    loudness_of,
    music_like,
    peak_32x,
    peaks_of,
)

RATE_HZ = 44_100
QUIET, LOUD = 0.1, 0.5


def side_of_two_tracks() -> Signal:
    """A quiet track of 6 s and a loud one of 6 s, ending in the same place every time."""
    music = music_like(RATE_HZ, 12)
    return music * np.repeat(np.array([QUIET, LOUD], np.float32), 6 * RATE_HZ)


def seen(signal: Signal) -> Measurements:
    levels = LevelMeter(RATE_HZ, len(signal))
    levels.update(signal)
    tables = SimpleNamespace(
        rate_hz=RATE_HZ,
        channels=len(signal),
        frames=signal.shape[1],
        levels=levels.finish(),
        loudness=loudness_of(signal, RATE_HZ),
        peaks=peaks_of(signal, RATE_HZ),
    )
    return cast("Measurements", tables)


def levelled(signal: Signal, settings: Settings, balance_db: float | None = None) -> Side:
    side = plan_parts.side(frames=signal.shape[1])
    if balance_db is not None:
        side = replace(side, balance=Balance(balance_db, balance_db, 1.0, "test"))
    return plan(signal, settings, side).sides[0]


def plan(signal: Signal, settings: Settings, *sides: Side) -> Plan:
    return decide(plan_parts.plan(*sides), seen(signal), settings)


def delivered(signal: Signal, side: Side) -> list[Signal]:
    """The tracks as they will sound."""
    return [
        (part * 10 ** (np.array(track.gain_db)[:, np.newaxis] / 20)).astype(np.float32)
        for track in side.tracks
        for part in [signal[:, track.span.start : track.span.end]]
    ]


def db(ratio: float) -> float:
    return float(20 * np.log10(ratio))


def level_of(side: Side) -> Level:
    assert side.level is not None
    return side.level


def test_true_peak_of_the_side_reaches_the_target() -> None:
    """Independent measurement: 32-fold interpolation of the tracks as delivered."""
    signal = side_of_two_tracks()
    side = levelled(signal, Settings())
    peaks = [db(peak_32x(track)) for track in delivered(signal, side)]
    assert -0.4 <= max(peaks) <= -0.25
    assert level_of(side).ruled_by == "peak"
    assert len({track.gain_db for track in side.tracks}) == 1


def test_tracks_keep_their_relations_per_side_and_lose_them_per_track() -> None:
    signal = side_of_two_tracks()
    for per, expected in (("side", [False, True]), ("track", [True, True])):
        side = levelled(signal, Settings(per=per))
        peaks = [db(peak_32x(track)) for track in delivered(signal, side)]
        assert [peak > -0.4 for peak in peaks] == expected
        assert max(peaks) <= -0.25


def test_sample_peak() -> None:
    signal = side_of_two_tracks()
    side = levelled(signal, Settings(peak=Measure(-1.0, "dBFS")))
    highest = max(float(np.abs(track).max()) for track in delivered(signal, side))
    assert db(highest) == pytest.approx(-1.0, abs=0.001)


@pytest.mark.parametrize("per", ["side", "track"])
def test_loudness_rules_when_the_ceiling_allows(per: str) -> None:
    """Independent measurement: libebur128 on the tracks as delivered."""
    signal = side_of_two_tracks()
    side = levelled(signal, Settings(loudness_lufs=-30.0, per=per))
    tracks = delivered(signal, side)
    heard = [np.concatenate(tracks, axis=1)] if per == "side" else tracks
    for track in heard:
        assert libebur128_lufs(track, RATE_HZ) == pytest.approx(-30.0, abs=0.02)
    ruling = [track.level for track in side.tracks] if per == "track" else [side.level]
    assert [level.ruled_by for level in ruling if level is not None] == ["loudness"] * len(ruling)


def test_ceiling_lowers_the_gain_of_loudness() -> None:
    signal = side_of_two_tracks()
    side = levelled(signal, Settings(loudness_lufs=-8.0, ceiling_dbtp=-1.0))
    assert level_of(side).ruled_by == "ceiling"
    assert -1.1 <= max(db(peak_32x(track)) for track in delivered(signal, side)) <= -0.95


def test_balance_is_split_between_the_channels_and_counted_in_the_peak() -> None:
    signal = side_of_two_tracks()
    side = levelled(signal, Settings(), balance_db=3.0)
    gain_db = level_of(side).gain_db
    for track in side.tracks:
        assert track.gain_db == (gain_db - 1.5, gain_db + 1.5)
    assert -0.4 <= max(db(peak_32x(track)) for track in delivered(signal, side)) <= -0.25


def test_only_what_is_delivered_counts() -> None:
    """A loud needle drop before the first track does not hold the music down."""
    signal = side_of_two_tracks()
    signal[:, 100:200] = 1.0
    side = plan_parts.side(frames=signal.shape[1])
    first = replace(side.tracks[0], span=Span(RATE_HZ, side.tracks[0].span.end))
    side = replace(side, tracks=(first, side.tracks[1]))
    found = plan(signal, Settings(), side).sides[0]
    assert -0.4 <= max(db(peak_32x(track)) for track in delivered(signal, found)) <= -0.25


def test_near_silence_gets_no_more_than_the_most_gain() -> None:
    side = levelled(side_of_two_tracks() * np.float32(0.001), Settings(most_gain_db=20.0))
    assert level_of(side).gain_db == 20.0
    assert level_of(side).ruled_by == "limit"


def test_silence_is_left_alone() -> None:
    side = levelled(np.zeros((2, 12 * RATE_HZ), np.float32), Settings())
    assert level_of(side) == Level(None, None, None, None, 0.0, "none")
    assert side.tracks[0].gain_db == (0.0, 0.0)


def test_one_channel() -> None:
    side = levelled(side_of_two_tracks()[:1], Settings())
    assert all(len(track.gain_db) == 1 for track in side.tracks)


def test_side_without_tracks_is_measured_as_trimmed() -> None:
    signal = side_of_two_tracks()
    side = replace(plan_parts.side(frames=signal.shape[1]), tracks=())
    found = plan(signal, Settings(), side).sides[0]
    assert level_of(found).integrated_lufs == pytest.approx(
        libebur128_lufs(signal, RATE_HZ), abs=0.01
    )


def test_levels_of_tracks_are_their_own_before_gain() -> None:
    signal = side_of_two_tracks()
    side = levelled(signal, Settings())
    for track in side.tracks:
        part = signal[:, track.span.start : track.span.end]
        assert track.level is not None
        assert track.level.integrated_lufs == pytest.approx(
            libebur128_lufs(part, RATE_HZ), abs=0.02
        )
        assert track.level.true_peak_dbtp == pytest.approx(db(peak_32x(part)), abs=0.1)


def test_every_gain_is_noted_with_its_numbers() -> None:
    signal = side_of_two_tracks()
    per_side = plan(signal, Settings()).decisions
    assert [decision.numbers["track"] for decision in per_side] == [None]
    assert per_side[0].numbers["ruled_by"] == "peak"
    per_track = plan(signal, Settings(per="track")).decisions
    assert [decision.numbers["track"] for decision in per_track] == [1, 2]


def test_the_ceiling_of_the_result_is_told_to_whoever_codes_it() -> None:
    audio = side_of_two_tracks()
    assert level_of(levelled(audio, Settings())).ceiling_dbtp == -0.3
    assert level_of(levelled(audio, Settings(loudness_lufs=-30.0))).ceiling_dbtp == -1.0
    sample = level_of(levelled(audio, Settings(peak=Measure(-2.0, "dBFS"))))
    assert sample.true_peak_dbtp is not None
    assert sample.ceiling_dbtp == sample.true_peak_dbtp + sample.gain_db
