"""What tracks say about themselves."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from plan_parts import RATE_HZ, plan, recording, seen, sheet, side
from sidekeep.dsp.loudness import integrated_lufs
from sidekeep.dsp.stretch import Stretch
from sidekeep.model import Balance, Level, Plan, Sheet, Span
from sidekeep.steps.tag import STEP, Settings, shifted


def tone(*amplitudes: float, seconds: float = 5.0) -> NDArray[np.float32]:
    """A 997 Hz tone in both channels, one stretch after the other."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    wave = np.sin(2 * np.pi * 997 * time_s)
    row = np.concatenate([amplitude * wave for amplitude in amplitudes])
    return np.stack([row, row]).astype(np.float32)


QUIET_LOUD = tone(10 ** (-33 / 20), 10 ** (-23 / 20))


def tags(draft: Plan, settings: Settings | None = None) -> list[dict[str, str]]:
    done = STEP.decide(draft, seen(QUIET_LOUD), settings or Settings())
    return [dict(track.tags) for side in done.sides for track in side.tracks]


def test_the_sheet_fills_the_tags() -> None:
    first = tags(plan())[0]
    assert {name: first[name] for name in first if not name.startswith(("replay", "r128"))} == {
        "title": "Slack Water",
        "artist": "Marlow and the Tide Tables",
        "album": "Low Water",
        "album_artist": "Marlow and the Tide Tables",
        "track_number": "1",
        "track_total": "5",
        "side": "A",
        "label": "Saltmarsh Audio",
        "catalogue": "SMA 014",
        "date": "1987",
        "genre": "jazz",
        "medium": "TT/33",
        "comment": "Transfer from a record, side A, recorded at 44.1 kHz, 24 bit. Treatment: none.",
    }


def test_a_tracks_own_artist_stands_beside_the_albums() -> None:
    base = side()
    guest = replace(base, tracks=(base.tracks[0], replace(base.tracks[1], artist="Ida Marlow")))
    second = tags(plan(guest))[1]
    assert second["artist"] == "Ida Marlow"
    assert second["album_artist"] == "Marlow and the Tide Tables"


@pytest.mark.parametrize(
    ("label", "numbering", "of", "expected"),
    [
        ("B", "record", sheet(), ("3", "5")),
        ("B", "side", sheet(), ("1", "3")),
        ("C", "record", sheet(), ("1", "3")),
        ("B", "record", sheet(sides={"A": (), "B": sheet().sides["B"]}), ("1", "3")),
        ("B", "record", Sheet(), ("1", "3")),
    ],
)
def test_tracks_count_through_the_record_when_the_sheet_allows_it(
    label: str, numbering: str, of: Sheet, expected: tuple[str, str]
) -> None:
    first = tags(plan(side(label, ("x", "y", "z")), of=of), Settings(numbering=numbering))[0]
    assert (first["track_number"], first["track_total"]) == expected


def test_sides_count_as_they_were_found() -> None:
    numbers = [t["track_number"] for t in tags(plan(side("A", ("x", "y", "z")), side("B", ("q",))))]
    assert numbers == ["1", "2", "3", "4"]


@pytest.mark.parametrize(
    ("rpm", "code"),  # ID3v2.4 frames, 4.2.3 TMED: turntable codes
    [
        (100 / 3, "TT/33"),
        (45, "TT/45"),
        (78.26, "TT/78"),
        (76.59, "TT/76"),
        (16, "TT"),
        (None, "TT"),
    ],
)
def test_the_medium_tells_the_speed(rpm: float | None, code: str) -> None:
    assert tags(plan(of=sheet(rpm=rpm)))[0]["medium"] == code


def test_a_tone_of_known_loudness_gets_the_gain_that_the_reference_asks_for() -> None:
    # EBU Tech 3341 case 1: a stereo 1 kHz tone peaking at -23 dBFS reads -23 LUFS.
    quiet, loud = tags(plan())
    assert float(loud["replaygain_track_gain"].removesuffix(" dB")) == pytest.approx(5.0, abs=0.1)
    assert float(quiet["replaygain_track_gain"].removesuffix(" dB")) == pytest.approx(15, abs=0.1)
    assert loud["replaygain_track_peak"] == f"{float(np.abs(QUIET_LOUD).max()):.6f}"
    assert int(loud["r128_track_gain"]) == pytest.approx(0, abs=26)
    assert int(quiet["r128_track_gain"]) == pytest.approx(2560, abs=26)
    assert quiet["replaygain_album_gain"] == loud["replaygain_album_gain"]
    assert quiet["replaygain_album_peak"] == loud["replaygain_track_peak"]


def test_album_gain_gates_all_tracks_together_after_their_gains() -> None:
    draft = plan(side(gain_db=(6.0, 4.0)))
    first, second = draft.sides[0].tracks
    factors = (10 ** (6 / 20), 10 ** (4 / 20))
    table = seen(QUIET_LOUD).loudness
    whole = [Stretch(t.span.start, t.span.end, factors) for t in (first, second)]
    lufs = integrated_lufs(table, *whole)
    assert lufs is not None
    found = tags(draft)[0]
    assert float(found["replaygain_album_gain"].split()[0]) == pytest.approx(-18 - lufs, abs=0.005)
    peak = float(np.abs(QUIET_LOUD).max()) * factors[0]
    assert float(found["replaygain_album_peak"]) == pytest.approx(peak, abs=1e-6)


def test_silence_has_no_gain() -> None:
    done = STEP.decide(plan(), seen(np.zeros((2, 10 * RATE_HZ), np.float32)), Settings())
    assert not any("gain" in name for name in done.sides[0].tracks[0].tags)


def test_gain_and_note_can_be_left_out() -> None:
    found = tags(plan(), Settings(replay_gain=False, note=False))[0]
    assert "comment" not in found
    assert not any(name.startswith(("replaygain", "r128")) for name in found)


def test_a_copy_with_another_gain_says_so_in_its_gain_tags() -> None:
    base = tags(plan())[1]
    quieter = shifted(base, -0.5)
    assert float(quieter["replaygain_track_gain"].split()[0]) == pytest.approx(
        float(base["replaygain_track_gain"].split()[0]) + 0.5, abs=0.006
    )
    assert int(quieter["r128_album_gain"]) == int(base["r128_album_gain"]) + 128
    assert float(quieter["replaygain_track_peak"]) == pytest.approx(
        float(base["replaygain_track_peak"]) * 10 ** (-0.5 / 20), abs=1e-6
    )
    assert shifted({"title": "Ebb"}, -0.5) == {"title": "Ebb"}


def test_the_note_tells_the_treatment_in_order_with_numbers() -> None:
    treated = replace(
        side(gain_db=(2.81, 3.61)),
        trimmed=Span(RATE_HZ, 9 * RATE_HZ),
        balance=Balance(0.8, 0.8, 1.0, ""),
        level=Level(-20.0, 8.0, -3.51, -3.6, 3.21, "peak"),
    )
    draft = replace(plan(treated), treatments=("RIAA equalisation",))
    draft = replace(draft, recording=replace(recording(rate_hz=96_000), sample_type="float"))
    assert tags(draft)[0]["comment"] == (
        "Transfer from a record, side A, recorded at 96 kHz, floating point. Treatment: "
        "RIAA equalisation; trimmed to the programme; balance: left 0.80 dB down against right; "
        "gain +3.21 dB (to a true peak of -0.30 dBTP)."
    )


def test_a_gain_to_a_loudness_names_the_loudness() -> None:
    level = Level(-20.0, 8.0, -9.0, -9.1, 4.0, "loudness")
    draft = plan(replace(side(gain_db=(4.0, 4.0)), level=level))
    assert "gain +4.00 dB (to -16.0 LUFS)" in tags(draft)[0]["comment"]


def test_the_same_plan_gives_the_same_tags() -> None:
    assert tags(plan()) == tags(plan())
