import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidekeep.dsp.fades import Fades, raised_cosine


def test_shape() -> None:
    """Closed form: half a cosine, which with its reverse adds up to 1."""
    fade = raised_cosine(100)
    np.testing.assert_allclose(fade + fade[::-1], 1, atol=1e-12)
    assert fade[0] == pytest.approx(0.5 - 0.5 * np.cos(np.pi * 0.005))
    assert (np.diff(fade) > 0).all()


def test_fades_lie_at_both_ends_and_nothing_else_is_touched() -> None:
    out = Fades(100, 10, 30).process(np.ones((2, 100)))
    np.testing.assert_allclose(out[:, :10], [raised_cosine(10)] * 2)
    assert (out[:, 10:70] == 1).all()
    np.testing.assert_allclose(out[:, 70:], [raised_cosine(30)[::-1]] * 2)


def test_fades_that_meet_both_apply() -> None:
    out = Fades(10, 8, 8).process(np.ones((1, 10)))
    expected = np.ones(10)
    expected[:8] *= raised_cosine(8)
    expected[2:] *= raised_cosine(8)[::-1]
    np.testing.assert_allclose(out[0], expected)


@given(st.lists(st.integers(0, 40), max_size=10), st.integers(0, 120), st.integers(0, 120))
def test_blocks_of_any_length_give_the_same_result(
    lengths: list[int], fade_in: int, fade_out: int
) -> None:
    signal = np.random.default_rng(1).standard_normal((2, 120))
    whole = Fades(120, fade_in, fade_out).process(signal)
    fades, at, parts = Fades(120, fade_in, fade_out), 0, []
    for length in (*lengths, 120):
        parts.append(fades.process(signal[:, at : min(120, at + length)]))
        at = min(120, at + length)
    assert np.array_equal(np.concatenate(parts, axis=1), whole)


def test_the_block_given_is_not_changed() -> None:
    block = np.ones((1, 10))
    Fades(10, 5, 5).process(block)
    assert (block == 1).all()


@pytest.mark.parametrize("fades", [(11, 0), (0, 11), (-1, 0)])
def test_a_fade_must_fit(fades: tuple[int, int]) -> None:
    with pytest.raises(ValueError, match="fades of"):
        Fades(10, *fades)
