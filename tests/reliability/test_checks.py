"""The quick form of every check, and with `--full` the whole of it.

`tests/reliability/run` prints the same figures as a table.
"""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from reliability import soak
from reliability.checks import CHECKS, figures_of
from reliability.figures import Figure, table

# The real service runs for more than a minute even in the quick form.
IN_THE_SUITE = [name for name in CHECKS if name != "soak"]


def all_reached(figures: Iterable[Figure]) -> None:
    told = list(figures)
    assert not [figure for figure in told if figure.reached is False], f"\n{table(told)}"
    if all(figure.not_done for figure in told):
        pytest.skip(told[0].not_done)


@pytest.mark.parametrize("name", IN_THE_SUITE)
def test_quick(name: str) -> None:
    all_reached(figures_of(name, full=False))


def test_memory_does_not_grow_with_jobs() -> None:
    all_reached([soak.day(soak.QUICK_JOBS)])


@pytest.mark.full
@pytest.mark.parametrize("name", CHECKS)
def test_full(name: str) -> None:
    all_reached(figures_of(name, full=True))
