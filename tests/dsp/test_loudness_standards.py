"""EBU Tech 3341 v4 and Tech 3342 v4 (November 2023), Table 1 of each; ITU-R BS.1770-5.

Cases 7 and 8 of Tech 3341 and 5 and 6 of Tech 3342 are authentic programmes and cannot be made here.
"""

import numpy as np
import pytest

from sidekeep.dsp.loudness import (
    integrated_lufs,
    loudness_range_lu,
    momentary_lufs,
    short_term_lufs,
)
from standard_signals import loudness_of, sine, whole

SILENT = -200.0


def approx(lufs: float) -> object:
    """The tolerance of every loudness case of Tech 3341."""
    return pytest.approx(lufs, abs=0.1)


@pytest.mark.parametrize(("case", "db"), [(1, -23.0), (2, -33.0)])
def test_steady_tone(case: int, db: float) -> None:
    signal = sine((20, db))
    table = loudness_of(signal)
    assert integrated_lufs(table, whole(signal)) == approx(db)
    for shown in (momentary_lufs, short_term_lufs):
        values = shown(table, whole(signal))[1:]  # the first window holds the start of the filter
        assert values.min() == approx(db)
        assert values.max() == approx(db)


@pytest.mark.parametrize(
    ("case", "parts"),
    [
        (3, [(10, -36.0), (60, -23.0), (10, -36.0)]),
        (4, [(10, -72.0), (10, -36.0), (60, -23.0), (10, -36.0), (10, -72.0)]),
        (5, [(20, -26.0), (20.1, -20.0), (20, -26.0)]),
    ],
)
def test_gating(case: int, parts: list[tuple[float, float]]) -> None:
    signal = sine(*parts)
    assert integrated_lufs(loudness_of(signal), whole(signal)) == approx(-23.0)


def test_case_6_five_channels_with_weights_folded_into_gains() -> None:
    tone = sine((20, 0.0))[0]
    signal = np.stack([tone * np.float32(10 ** (db / 20)) for db in (-28, -28, -24, -30, -30)])
    surround = 1.41**0.5
    stretch = whole(signal, 1.0, 1.0, 1.0, surround, surround)
    assert integrated_lufs(loudness_of(signal), stretch) == approx(-23.0)


def test_case_9_short_term_is_constant() -> None:
    signal = sine(*[(1.34, -20.0), (1.66, -30.0)] * 5)
    shown = short_term_lufs(loudness_of(signal), whole(signal))
    assert shown.min() == approx(-23.0)
    assert shown.max() == approx(-23.0)


def test_case_10_greatest_short_term_of_a_file() -> None:
    for index in range(20):
        signal = sine((index * 0.15, SILENT), (3, -23.0), (1, SILENT))
        assert short_term_lufs(loudness_of(signal), whole(signal)).max() == approx(-23.0)


def test_case_11_greatest_short_term_so_far() -> None:
    parts, ends = [], []
    for index in range(20):
        parts += [(index * 0.15, SILENT), (3, -38.0 + index), (3 - index * 0.15, SILENT)]
        ends.append(sum(seconds for seconds, _ in parts))
    signal = sine(*parts)
    shown = short_term_lufs(loudness_of(signal), whole(signal))
    for index, end_s in enumerate(ends):
        assert shown[: round((end_s - 3) * 10) + 1].max() == approx(-38.0 + index)


def test_case_12_momentary_is_constant() -> None:
    signal = sine(*[(0.18, -20.0), (0.22, -30.0)] * 25)
    shown = momentary_lufs(loudness_of(signal), whole(signal))[60:]
    assert shown.min() == approx(-23.0)
    assert shown.max() == approx(-23.0)


def test_case_13_greatest_momentary_of_a_file() -> None:
    for index in range(20):
        signal = sine((index * 0.02, SILENT), (0.4, -23.0), (1, SILENT))
        assert momentary_lufs(loudness_of(signal), whole(signal)).max() == approx(-23.0)


def test_case_14_greatest_momentary_so_far() -> None:
    parts, ends = [], []
    for index in range(20):
        parts += [(index * 0.02, SILENT), (0.4, -38.0 + index), (0.4 - index * 0.02, SILENT)]
        ends.append(sum(seconds for seconds, _ in parts))
    signal = sine(*parts)
    shown = momentary_lufs(loudness_of(signal), whole(signal))
    for index, end_s in enumerate(ends):
        assert shown[: round((end_s - 0.4) * 100) + 1].max() == approx(-38.0 + index)


@pytest.mark.parametrize(
    ("case", "levels_db", "range_lu"),
    [
        (1, (-20.0, -30.0), 10),
        (2, (-20.0, -15.0), 5),
        (3, (-40.0, -20.0), 20),
        (4, (-50.0, -35.0, -20.0, -35.0, -50.0), 15),
    ],
)
def test_loudness_range(case: int, levels_db: tuple[float, ...], range_lu: float) -> None:
    signal = sine(*[(20, db) for db in levels_db])
    assert loudness_range_lu(loudness_of(signal), whole(signal)) == pytest.approx(range_lu, abs=1)


def test_997_hz_at_full_scale_in_one_channel_reads_minus_3_01() -> None:
    """ITU-R BS.1770-5, Annex 1: the reference tone, at 48 kHz."""
    left = sine((5, 0.0), hz=997)
    left[1] = 0
    assert integrated_lufs(loudness_of(left), whole(left)) == pytest.approx(-3.01, abs=0.005)
    mono = left[:1]
    assert integrated_lufs(loudness_of(mono), whole(mono)) == pytest.approx(-3.01, abs=0.005)
