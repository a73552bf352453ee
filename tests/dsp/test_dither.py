import numpy as np
import pytest

from sidekeep.dsp.dither import WordLength, dither_seed

SEED = dither_seed("0" * 64, 1)


def errors_in_steps(level: float, bits: int = 16, frames: int = 200_000) -> np.ndarray:
    """Error of a constant of `level` steps (plus whatever the noise does to it), (2, frames)."""
    signal = np.full((2, frames), level / 2 ** (bits - 1))
    words = WordLength(bits, 2, SEED).process(signal) >> (32 - bits)
    return words - level


@pytest.mark.parametrize("level", [0.0, 0.25, 0.5, 1234.9])
@pytest.mark.parametrize("bits", [16, 24])
def test_noise_power_is_a_quarter_of_a_squared_step_whatever_the_signal(
    level: float, bits: int
) -> None:
    """Closed form: TPDF 1/6 and rounding 1/12 of a squared step, mean 0 (Lipshitz, Vanderkooy)."""
    errors = errors_in_steps(level, bits)
    assert np.mean(errors**2) == pytest.approx(0.25, rel=0.02)
    assert np.mean(errors) == pytest.approx(0, abs=0.004)


def test_noise_is_white_and_different_in_each_channel() -> None:
    errors = errors_in_steps(0.3)
    errors = errors - errors.mean(axis=1, keepdims=True)
    spread = 4 / np.sqrt(errors.shape[1])
    assert abs(np.corrcoef(errors)[0, 1]) < spread
    for lag in (1, 2, 3, 100):
        assert abs(np.corrcoef(errors[0, lag:], errors[0, :-lag])[0, 1]) < spread


def test_without_dither_the_error_follows_the_signal() -> None:
    """The measure above can fail: plain rounding of 0.3 steps leaves 0.3 everywhere."""
    words = WordLength(16, 1, None).process(np.full((1, 100), 0.3 / 32768)) >> 16
    assert not words.any()


def test_tone_below_one_step_survives() -> None:
    frames = 200_000
    tone = 0.4 * np.sin(2 * np.pi * 0.01 * np.arange(frames))
    words = WordLength(16, 1, SEED).process(tone[np.newaxis] / 32768)[0] >> 16
    assert 2 * np.mean(words * tone) / 0.4 == pytest.approx(0.4, rel=0.02)


def test_same_recording_and_track_give_the_same_noise_and_others_do_not() -> None:
    signal = np.zeros((2, 1000))

    def words(recording: str, track: int) -> np.ndarray:
        return WordLength(16, 2, dither_seed(recording, track)).process(signal)

    assert np.array_equal(words("a" * 64, 1), words("a" * 64, 1))
    assert not np.array_equal(words("a" * 64, 1), words("a" * 64, 2))
    assert not np.array_equal(words("a" * 64, 1), words("b" * 64, 1))


@pytest.mark.parametrize("block", [1, 7, 1000])
def test_blocks_of_any_length_give_the_same_words(block: int) -> None:
    signal = np.random.default_rng(1).uniform(-1.1, 1.1, (2, 3001))
    whole = WordLength(16, 2, SEED).process(signal)
    parts = WordLength(16, 2, SEED)
    pieces = [parts.process(signal[:, at : at + block]) for at in range(0, 3001, block)]
    assert np.array_equal(np.concatenate(pieces, axis=1), whole)


@pytest.mark.parametrize("bits", [8, 16, 24, 32])
def test_beyond_full_scale_saturates_and_never_wraps(bits: int) -> None:
    words = WordLength(bits, 1, SEED)
    out = words.process(np.array([[1.5, 2.0, -1.5, -2.0]]))
    highest = (2 ** (bits - 1) - 1) << (32 - bits)
    assert out.tolist() == [[highest, highest, -(2**31), -(2**31)]]
    assert words.saturated == 4


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_words_come_back_bit_for_bit_without_dither(bits: int) -> None:
    chance = np.random.default_rng(6)
    words = chance.integers(-(2 ** (bits - 1)), 2 ** (bits - 1), (2, 1000))
    rounding = WordLength(bits, 2, None)
    found = rounding.process(words / 2.0 ** (bits - 1))
    assert np.array_equal(found >> (32 - bits), words)
    assert rounding.saturated == 0


def test_word_length_must_be_sensible() -> None:
    with pytest.raises(ValueError, match="33 bits"):
        WordLength(33, 2, None)
