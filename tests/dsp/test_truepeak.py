import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep.dsp.stretch import Stretch
from sidekeep.dsp.truepeak import TruePeakMeter, max_true_peak
from standard_signals import Signal, fine_peaks, music_like, peak_32x, peaks_of, whole

RATES_HZ = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)


def db(ratio: float) -> float:
    return float(20 * np.log10(ratio))


def noise_up_to(share_of_rate: float, rate_hz: int, seconds: float = 2.5) -> Signal:
    """Clipped noise without anything above a share of the rate: peaks between samples are frequent."""
    chance = np.random.default_rng(9)
    frames = round(seconds * rate_hz)
    clipped = np.clip(chance.standard_normal(frames), -1, 1) * np.hanning(frames) ** 0.1
    spectrum = np.fft.rfft(clipped)
    spectrum[np.fft.rfftfreq(frames) > share_of_rate] = 0
    return (np.fft.irfft(spectrum, frames)[np.newaxis] / 4).astype(np.float32)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_music_against_32x(rate_hz: int) -> None:
    music = music_like(rate_hz, 5)[:, : round(2.5 * rate_hz)]
    found = max_true_peak(peaks_of(music, rate_hz), whole(music))
    assert -0.1 <= db(found / peak_32x(music)) <= 0.05


@pytest.mark.parametrize("share_of_rate", [0.2, 0.45, 0.475])
def test_content_near_half_the_rate_against_32x(share_of_rate: float) -> None:
    noise = noise_up_to(share_of_rate, 44_100)
    found = max_true_peak(peaks_of(noise, 44_100), whole(noise))
    assert db(found / float(np.abs(noise).max())) > 0.01, "the peak must lie between samples"
    assert -0.1 <= db(found / peak_32x(noise)) <= 0.05


@pytest.mark.parametrize("rate_hz", [44_100, 192_000])
@pytest.mark.parametrize("share_of_rate", [0.25, 0.45])
def test_tone_between_the_samples(rate_hz: int, share_of_rate: float) -> None:
    """Closed form: a faded tone of amplitude 0.5, in the phase that samples see least of."""
    frames = rate_hz
    tone = np.cos(2 * np.pi * share_of_rate * (np.arange(frames) - frames // 2 - 0.5))
    tone *= 0.5 * np.minimum(1, np.minimum(np.arange(frames), np.arange(frames)[::-1]) / 4000)
    found = max_true_peak(
        peaks_of(tone[np.newaxis].astype(np.float32), rate_hz), Stretch(0, frames, (1.0,))
    )
    assert -0.1 <= db(found / 0.5) <= 0.05


def test_any_four_seconds_hold_their_own_true_peak() -> None:
    """Loud and quiet places far apart: the quiet ones are interpolated as well where they lead."""
    rate_hz = 44_100
    smooth = scipy.signal.butter(4, 0.8, output="sos")
    noise = np.random.default_rng(4).standard_normal((1, 14 * rate_hz))
    places_s, levels_db = [0, 3, 6, 9, 11, 14], [-50, -10, -60, -20, -45, -30]
    level_db = np.interp(np.arange(14 * rate_hz) / rate_hz, places_s, levels_db)
    signal = (scipy.signal.sosfilt(smooth, noise) * 10 ** (level_db / 20)).astype(np.float32)
    table, fine = peaks_of(signal, rate_hz), fine_peaks(signal)
    for start in range(0, 10 * rate_hz, 60 * table.cell_frames):
        end = start + 4 * rate_hz
        found = max_true_peak(table, Stretch(start, end, (1.0,)))
        assert -0.1 <= db(found / fine[:, start:end].max()) <= 0.05


def test_gains_apply_to_each_channel() -> None:
    rate_hz = 44_100
    signal = np.concatenate((noise_up_to(0.45, rate_hz), 0.8 * noise_up_to(0.45, rate_hz)[:, ::-1]))
    table = peaks_of(signal, rate_hz)
    for gains in ((1.0, 1.0), (0.5, 1.0), (0.0, 2.0)):
        scaled = signal * np.array(gains, np.float32)[:, np.newaxis]
        assert db(max_true_peak(table, whole(signal, *gains)) / peak_32x(scaled)) == pytest.approx(
            0, abs=0.05
        )


@settings(max_examples=10, deadline=None)
@given(st.lists(st.integers(0, 60_000), max_size=10))
def test_blocks_of_any_length_give_the_same_table(lengths: list[int]) -> None:
    music = music_like(44_100, 5)
    expected = peaks_of(music, 44_100)
    meter, at = TruePeakMeter(44_100, 2), 0
    for length in (*lengths, music.shape[1]):
        meter.update(music[:, at : at + length])
        at += length
    assert np.array_equal(meter.finish().true_peak, expected.true_peak)


def test_cells_are_never_below_their_sample_peak() -> None:
    music = music_like(44_100, 5)
    table = peaks_of(music, 44_100)
    cells = np.abs(music).reshape(2, -1, table.cell_frames).max(axis=2)
    assert table.true_peak.shape == cells.shape
    assert (table.true_peak >= cells).all()
    assert (table.true_peak > cells).any()


def test_nothing_and_silence() -> None:
    assert TruePeakMeter(44_100, 2).finish().true_peak.shape == (2, 0)
    silence = np.zeros((2, 100_000), np.float32)
    table = peaks_of(silence, 44_100)
    assert max_true_peak(table, whole(silence)) == 0
    assert max_true_peak(table) == 0


def test_a_peak_at_the_very_end_is_seen() -> None:
    signal = np.zeros((1, 44_100 * 5 + 7), np.float32)
    signal[0, -2:] = 0.5
    table = peaks_of(signal, 44_100)
    assert max_true_peak(table, whole(signal)) == pytest.approx(peak_32x(signal), rel=0.01)
