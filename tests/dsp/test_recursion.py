import numpy as np
import pytest

from sidekeep.dsp.recursion import Recursion


@pytest.mark.parametrize("steps", [1, 5, 8, 13, 16, 126, 882, 1920])
def test_equals_the_recursion_step_by_step(steps: int) -> None:
    """Slow second implementation: the definition, one step after the other."""
    rng = np.random.default_rng(steps)
    power = rng.standard_normal((4, 4))
    power *= 0.97 / np.abs(np.linalg.eigvals(power)).max()
    pushes, start = rng.standard_normal((2, steps, 4)), rng.standard_normal((2, 4))
    wanted, state = [], start
    for step in range(steps):
        wanted.append(state)
        state = state @ power.T + pushes[:, step]
    states, end = Recursion(power, steps).run(pushes, start)
    np.testing.assert_allclose(states, np.stack(wanted, axis=1), atol=1e-9)
    np.testing.assert_allclose(end, state, atol=1e-9)


def test_goes_on_from_where_it_stopped() -> None:
    rng = np.random.default_rng(1)
    power, pushes, start = 0.9 * np.eye(2), rng.standard_normal((1, 64, 2)), np.ones((1, 2))
    whole, end = Recursion(power, 64).run(pushes, start)
    half = Recursion(power, 32)
    first, middle = half.run(pushes[:, :32], start)
    second, last = half.run(pushes[:, 32:], middle)
    np.testing.assert_allclose(np.concatenate((first, second), axis=1), whole, atol=1e-12)
    np.testing.assert_allclose(last, end, atol=1e-12)
