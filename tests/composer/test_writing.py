"""Tests of what a recorder would leave: word lengths, clipping, and a sheet that can be read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
import yaml

from composer import Band, ComposedSide, SideSpec, Track, Truth, compose, sheet_text, write


@pytest.fixture(scope="module")
def side() -> ComposedSide:
    return compose(SideSpec((Track("One", Band(), 2.0),), locked_s=1.0))


@pytest.mark.parametrize("bits", [16, 24])
def test_samples_are_rounded_to_the_word_length(
    side: ComposedSide, bits: int, tmp_path: Path
) -> None:
    write(side, tmp_path / "A.wav", bits=bits)
    back, rate_hz = soundfile.read(tmp_path / "A.wav", always_2d=True)
    assert rate_hz == side.rate_hz
    assert soundfile.info(tmp_path / "A.wav").subtype == f"PCM_{bits}"
    assert np.abs(back.T - side.samples).max() <= 0.5001 / 2 ** (bits - 1)


def test_what_is_too_loud_is_clipped_not_wrapped(side: ComposedSide, tmp_path: Path) -> None:
    write(side.with_samples(side.samples * 10), tmp_path / "A.flac")
    back, _ = soundfile.read(tmp_path / "A.flac", always_2d=True)
    loudest = np.abs(side.samples).max(axis=1).argmax()
    place = np.abs(side.samples[loudest]).argmax()
    assert abs(back[place, loudest]) == pytest.approx(1.0, abs=1e-6)
    assert np.sign(back[place, loudest]) == np.sign(side.samples[loudest, place])


def test_short_words_are_padded(side: ComposedSide, tmp_path: Path) -> None:
    write(side, tmp_path / "A.wav", bits=24, content_bits=16)
    words, _ = soundfile.read(tmp_path / "A.wav", dtype="int32", always_2d=True)
    assert not np.any(words & 0xFFFF)


def test_a_sheet_survives_its_own_quotes() -> None:
    text = sheet_text(
        artist='Ida "Low" Marlow',
        title="Ebb: back\\slash",
        year=1987,
        sides={"A": [("Neap", 61.4), ("Spring", None)]},
    )
    read = yaml.safe_load(text)
    assert read["artist"] == 'Ida "Low" Marlow'
    assert read["title"] == "Ebb: back\\slash"
    assert read["sides"]["A"]["tracks"] == [{"title": "Neap", "length": "1:01"}, "Spring"]


def test_a_truth_survives_json(side: ComposedSide) -> None:
    truth = side.truth.with_fault("hum", 1.0, 2.0, 1.0)
    assert Truth.from_dict(truth.to_dict()) == truth
