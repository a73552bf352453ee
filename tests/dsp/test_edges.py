"""Hard edges: where they are, how suddenly they come, the same for any blocks."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from composer import noise
from sidekeep.dsp.edges import SUDDEN_DB, TOP_SUDDEN_DB, Edges, TrebleMeter

TICK = {44_100: 48, 96_000: 96}
REACH = {44_100: 1, 96_000: 2}


def edges(samples: NDArray[np.float64], rate_hz: int, block: int = 1 << 20) -> Edges:
    """All edges of some samples, met block by block."""
    meter = TrebleMeter(TICK[rate_hz], rate_hz, len(samples))
    met = []
    for start in range(0, samples.shape[1], block):
        meter.update(samples[:, start : start + block].astype(np.float32))
        met.append(meter.edges)
    tick = np.concatenate([one.tick for one in met])
    within, contrast_db, sharp_db, top_db = (
        np.concatenate([getattr(one, name) for one in met])
        for name in ("within", "contrast_db", "sharp_db", "top_db")
    )
    return Edges(tick, within, contrast_db, sharp_db, top_db, met[-1].until)


def tones(rate_hz: int) -> NDArray[np.float64]:
    """Two seconds of a chord over a little hiss."""
    time_s = np.arange(2 * rate_hz) / rate_hz
    chord = sum(0.1 * np.sin(2 * np.pi * hz * time_s) for hz in (110.0, 277.2, 659.3, 1318.5))
    return np.stack((chord, 0.8 * chord)) + noise.hiss(2 * rate_hz, -80.0, np.random.default_rng(1))


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_missing_samples_are_sudden_and_a_click_that_was_played_is_not(rate_hz: int) -> None:
    music = tones(rate_hz)
    place, lost = rate_hz // 2 + 17, rate_hz // 90
    cut = np.concatenate((music[:, :place], music[:, place + lost :]), axis=1)
    (found,) = np.flatnonzero(edges(cut, rate_hz).sharp_db >= SUDDEN_DB)
    seen = edges(cut, rate_hz)
    at = (seen.tick[found] + seen.within[found]) * TICK[rate_hz]
    assert at == pytest.approx(place, abs=2 * REACH[rate_hz])

    # A cartridge and its amplifier pass 18 kHz at best.
    step = signal.sosfilt(
        signal.butter(2, 18_000, fs=rate_hz, output="sos"),
        np.exp(-np.arange(rate_hz // 500) / (rate_hz * 2e-4)),
    )
    clicked = music.copy()
    noise.add(clicked, place, 0.3 * step[np.newaxis])
    played = edges(clicked, rate_hz)
    near = np.abs(played.tick - place // TICK[rate_hz]) <= 1
    assert played.contrast_db[near].max() > 20
    assert played.sharp_db.max() < (cut_sharp := seen.sharp_db[found]) - 6
    assert cut_sharp > 15


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_loud_treble_hides_missing_samples_but_not_at_the_top_of_the_band(rate_hz: int) -> None:
    """Cymbals, as far as a cutting head goes: little above 16 kHz (common practice, no source)."""
    rng = np.random.default_rng(4)
    sections = signal.butter(8, (5000, 16_000), "bandpass", fs=rate_hz, output="sos")
    cymbals = 0.1 * signal.sosfilt(sections, rng.standard_normal((2, 2 * rate_hz)), axis=1)
    music = tones(rate_hz) + cymbals
    place, lost = rate_hz // 2 + 17, rate_hz // 90
    cut = np.concatenate((music[:, :place], music[:, place + lost :]), axis=1)
    seen = edges(cut, rate_hz)
    highest = int(seen.top_db.argmax())
    assert seen.top_db[highest] >= TOP_SUDDEN_DB
    at = (seen.tick[highest] + seen.within[highest]) * TICK[rate_hz]
    assert at == pytest.approx(place, abs=TICK[rate_hz] / 3)
    assert edges(music, rate_hz).top_db.max(initial=0) < TOP_SUDDEN_DB
    assert np.delete(seen.top_db, np.abs(seen.tick - seen.tick[highest]) <= 1).max(initial=0) < (
        seen.top_db[highest] - 6
    )


def test_crackle_is_sharp_but_not_sudden() -> None:
    rng = np.random.default_rng(2)
    dust = noise.crackle(44_100, 20 * 44_100, rng, per_s=10, peak_dbfs=-30.0)
    seen = edges(dust + noise.hiss(dust.shape[1], -75.0, rng), 44_100)
    assert seen.tick.size > 100
    assert seen.sharp_db.max() < SUDDEN_DB


@pytest.mark.parametrize("block", [999, 4801, 40_000])
def test_any_blocks_give_the_same_edges(block: int) -> None:
    rng = np.random.default_rng(3)
    music = tones(44_100) + noise.crackle(44_100, 88_200, rng, per_s=20, peak_dbfs=-34.0)
    whole, pieces = edges(music, 44_100), edges(music, 44_100, block)
    assert whole.tick.size > 20
    assert np.array_equal(whole.tick, pieces.tick)
    assert pieces.sharp_db == pytest.approx(whole.sharp_db, abs=1e-3)
    assert pieces.top_db == pytest.approx(whole.top_db, abs=1e-2)
    assert (pieces.until, pieces.contrast_db.tolist()) == (
        whole.until,
        pytest.approx(whole.contrast_db.tolist(), abs=1e-3),
    )
