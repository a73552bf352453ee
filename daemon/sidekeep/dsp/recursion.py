"""A linear recursion over many steps, taken in groups of steps and groups of groups."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_MOST = 8  # steps that are taken together, or one by one

Samples = NDArray[np.float64]


class Recursion:
    """States s[n + 1] = P s[n] + p[n] for a fixed number of steps.

    What a group of steps makes of its pushes and of the state before it is one matrix product, so only
    the states before each group are left, which are a recursion of the same kind.

    Args:
        power: the matrix P, (order, order).
        steps: how many steps every call takes.
    """

    def __init__(self, power: Samples, steps: int) -> None:
        self._power = power.T
        self._size = next(size for size in range(_MOST, 0, -1) if steps % size == 0)
        self._groups: Recursion | None = None
        if steps > _MOST and self._size > 1:
            powers = [np.eye(len(power))]
            for _ in range(self._size):
                powers.append(power @ powers[-1])
            self._from_pushes, self._from_start, self._to_next = _over_a_group(powers)
            self._groups = Recursion(powers[-1], steps // self._size)

    def run(self, pushes: Samples, start: Samples) -> tuple[Samples, Samples]:
        """Take all steps.

        Args:
            pushes: p, (channels, steps, order).
            start: the state before the first step, (channels, order).

        Returns:
            The states before each step, (channels, steps, order), and the one after the last.
        """
        if self._groups is None:
            return self._one_by_one(pushes, start)
        channels, steps, order = pushes.shape
        grouped = pushes.reshape(channels, steps // self._size, self._size * order)
        starts, end = self._groups.run(grouped @ self._to_next, start)
        states = grouped @ self._from_pushes
        states += starts @ self._from_start
        return states.reshape(pushes.shape), end

    def _one_by_one(self, pushes: Samples, state: Samples) -> tuple[Samples, Samples]:
        states = np.empty_like(pushes)
        for step in range(pushes.shape[1]):
            states[:, step] = state
            state = state @ self._power + pushes[:, step]
        return states, state


def _over_a_group(powers: list[Samples]) -> tuple[Samples, Samples, Samples]:
    """What a group's pushes and first state make of its states; rows are inputs.

    Args:
        powers: powers 0 to `size` of the recursion's matrix.

    Returns:
        pushes to the states before each step (size * order, size * order), the first state to the
        same (order, size * order), and pushes to the state after the last (size * order, order).
    """
    size, order = len(powers) - 1, len(powers[0])
    from_pushes = np.zeros((size, order, size, order))
    for push in range(size):
        for later in range(push + 1, size):
            from_pushes[push, :, later] = powers[later - 1 - push].T
    from_start = np.stack([power.T for power in powers[:size]], axis=1)
    to_next = np.stack([powers[size - 1 - push].T for push in range(size)])
    return (
        from_pushes.reshape(size * order, size * order),
        from_start.reshape(order, size * order),
        to_next.reshape(size * order, order),
    )
