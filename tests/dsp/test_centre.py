"""Where the centre of a mix lies."""

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.centre import (
    TRUSTED,
    Centre,
    agreement_curve,
    find_centre,
    groove_balance_db,
)
from sidekeep.dsp.image import BANDS, RATIOS_DB
from stereo_mixes import RATE_HZ, SECONDS, band_mix, image_of, notes, placed, transferred

MUSIC = (3 * RATE_HZ, (3 + SECONDS) * RATE_HZ)


def centre_of(signal: NDArray[np.float32]) -> Centre | None:
    return find_centre(image_of(signal), *MUSIC)


@pytest.mark.parametrize("imbalance_db", [-4.0, -1.3, -0.2, 0.0, 0.45, 2.0, 4.0])
def test_a_mix_with_a_centre_tells_the_imbalance(imbalance_db: float) -> None:
    centre = centre_of(band_mix(imbalance_db))
    assert centre is not None
    assert centre.evidence >= TRUSTED
    assert centre.ratio_db == pytest.approx(imbalance_db, abs=0.05)


def test_groove_noise_and_ticks_do_not_draw_it_aside() -> None:
    signal = band_mix(0.0, noise_dbfs=-50).copy()
    rng = np.random.default_rng(4)
    for start in rng.integers(
        0, signal.shape[1] - 20, 500
    ):  # ticks that lean, as of one groove wall
        signal[:, start : start + 20] += np.array([[0.05], [0.03]], np.float32) * rng.uniform(-1, 1)
    centre = centre_of(signal)
    assert centre is not None
    assert centre.evidence >= TRUSTED
    assert centre.ratio_db == pytest.approx(0.0, abs=0.15)


def test_sources_beside_each_other_are_no_centre() -> None:
    places = ((1, 60, 120, 5.0), (2, 150, 300, -4.0), (3, 300, 600, 2.5), (4, 500, 900, -7.0))
    mix = sum(placed(notes(seed, low, high), place) for seed, low, high, place in places)
    centre = centre_of(transferred(np.asarray(mix)))
    assert centre is None or centre.evidence < TRUSTED


def test_hard_left_and_hard_right_are_no_centre() -> None:
    mix = placed(notes(1, 60, 300), 60.0) + placed(notes(2, 200, 600), -60.0)
    centre = centre_of(transferred(mix))
    assert centre is None or centre.evidence < TRUSTED


def test_a_wide_hall_without_direct_sound_is_no_centre() -> None:
    mix = np.random.default_rng(3).standard_normal((2, SECONDS * RATE_HZ))
    centre = centre_of(transferred(mix))
    assert centre is None or centre.evidence < TRUSTED


def test_a_lone_source_is_told_to_be_alone() -> None:
    lone = centre_of(transferred(placed(notes(1, 80, 400), 4.0)))
    many = centre_of(band_mix())
    assert lone is not None
    assert many is not None
    assert lone.ratio_db == pytest.approx(4.0, abs=0.05)
    assert lone.alone > 0.95
    assert many.alone < 0.9


def test_a_centre_only_in_the_bass_is_found_there() -> None:
    """Above it, each band has a sound of its own that stands elsewhere."""
    bass = 2.0 * notes(1, 75, 140)
    spectrum = np.fft.rfft(bass)
    spectrum[np.fft.rfftfreq(len(bass), 1 / RATE_HZ) > 330] = 0
    mix = placed(np.fft.irfft(spectrum, len(bass)), 0.0) + placed(notes(2, 900, 1500), 8.0)
    mix += placed(notes(3, 420, 800), -6.5)
    centre = centre_of(transferred(mix, 1.5))
    assert centre is not None
    assert centre.bands < BANDS
    assert centre.evidence >= TRUSTED
    assert centre.ratio_db == pytest.approx(1.5, abs=0.1)


def test_a_mix_that_wanders_is_not_trusted() -> None:
    frames = SECONDS * RATE_HZ
    lean_db = np.linspace(-3, 3, frames)
    mix = band_mix()[:, 3 * RATE_HZ : -3 * RATE_HZ] * np.stack(
        [10 ** (lean_db / 40), 10 ** (-lean_db / 40)]
    )
    centre = centre_of(transferred(mix.astype(np.float64)))
    assert centre is None or centre.evidence < TRUSTED


def test_too_short_a_span_gives_no_answer() -> None:
    table = image_of(band_mix())
    assert find_centre(table, MUSIC[0], MUSIC[0] + 8 * RATE_HZ) is None
    assert find_centre(image_of(np.zeros((2, RATE_HZ), np.float32)), 0, RATE_HZ) is None


def test_the_curve_peaks_at_the_centre() -> None:
    curve = agreement_curve(image_of(band_mix(1.0)), *MUSIC)
    assert RATIOS_DB[curve.argmax()] == pytest.approx(1.0, abs=0.1)
    assert curve.max() <= 1


@pytest.mark.parametrize("imbalance_db", [-2.0, 0.0, 3.0])
def test_the_grooves_own_balance_is_that_of_the_transfer(imbalance_db: float) -> None:
    signal = band_mix(imbalance_db)
    signal[:, RATE_HZ // 2 : RATE_HZ // 2 + 30] = 0.5  # a tick does not count
    table = image_of(signal)
    spans = ((0, 3 * RATE_HZ), ((3 + SECONDS) * RATE_HZ, signal.shape[1]))
    assert groove_balance_db(table, spans) == pytest.approx(imbalance_db, abs=0.25)
    assert groove_balance_db(table, ((0, RATE_HZ // 2),)) is None
    assert groove_balance_db(table, ()) is None
