import numpy as np
import pytest

from sidekeep.dsp.interpolation import AFTER, BEFORE, KERNEL, POSITIONS, REACH, TAPS

OFFSETS = np.arange(-BEFORE, AFTER + 1)
BETWEEN = np.arange(1, POSITIONS) / POSITIONS


def test_straight_lines_pass_exactly() -> None:
    np.testing.assert_allclose(KERNEL @ np.ones(TAPS), 1, atol=1e-12)
    np.testing.assert_allclose(KERNEL @ OFFSETS, BETWEEN, atol=1e-12)


@pytest.mark.parametrize(("share_of_rate", "error_db"), [(0.1, 0.005), (0.4, 0.01), (0.475, 0.05)])
def test_tones_keep_their_height(share_of_rate: float, error_db: float) -> None:
    """Closed form: a complex tone is 1 everywhere."""
    tone = KERNEL @ np.exp(2j * np.pi * share_of_rate * OFFSETS)
    assert np.abs(20 * np.log10(np.abs(tone))).max() < error_db


def test_reach_bounds_what_lies_between() -> None:
    """Noise, and the worst signal there is for each position: signs that all add up."""
    chance = np.random.default_rng(2)
    signals = [chance.standard_normal(TAPS) for _ in range(200)]
    line = np.stack(
        [np.where(OFFSETS == 0, 1 - at, np.where(OFFSETS == 1, at, 0)) for at in BETWEEN]
    )
    on_bends = np.cumsum(np.cumsum(KERNEL - line, axis=1), axis=1)[:, :-2]
    tightest = np.inf
    for weights in on_bends:
        worst = np.cumsum(np.cumsum(np.concatenate(([0, 0], np.sign(weights)))))
        at_middle = np.interp(OFFSETS, [0, 1], worst[BEFORE : BEFORE + 2], left=0, right=0)
        slope = worst[AFTER] - worst[BEFORE]
        signals.append(worst - worst[BEFORE] - slope * OFFSETS)
        assert at_middle.any()
    for signal in signals:
        bend = np.abs(np.diff(signal, 2)).max()
        limit = max(abs(signal[BEFORE]), abs(signal[AFTER])) + REACH * bend
        highest = np.abs(KERNEL @ signal).max()
        assert highest <= limit * (1 + 1e-9)
        tightest = min(tightest, limit - highest)
    assert tightest < 1e-9
