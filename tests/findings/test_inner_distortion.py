"""Inner distortion, told from tables of known truth: where, and what only looks like it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.tracing import BANDS, TracingTable
from sidekeep.findings.inner_distortion import find
from sidekeep.findings.scene import Scene
from sidekeep.model import Finding, Span

STEPS = 600
BINS = np.full(BANDS, 46)


def told(share: NDArray[Any]) -> tuple[Finding, ...]:
    """Look at steps whose difference of channels holds a share (steps, bands) of the treble's square."""
    rng = np.random.default_rng(31)
    product = rng.gamma(2.0, 0.5, (STEPS, BANDS)) * BINS
    noise = rng.standard_normal((STEPS, BANDS)) + 1j * rng.standard_normal((STEPS, BANDS))
    difference = BINS * (1 + np.abs(share) ** 2)
    table = TracingTable(
        step_frames=8192,
        bins=BINS,
        cross=(share * product + noise * np.sqrt(product / 2)).astype(np.complex64),
        product=product.astype(np.float32),
        difference=difference.astype(np.float32),
        treble=np.ones(STEPS, np.float32),
    )
    scene = SimpleNamespace(
        seen=SimpleNamespace(tracing=table),
        side=SimpleNamespace(programme=Span(0, STEPS * 8192)),
        clock=lambda frame: f"{frame / 44_100:.0f} s",
    )
    return find(cast("Scene", scene), listen_percent=0.3)


def growing(start: float, end: float = 1.0) -> NDArray[Any]:
    place = np.arange(STEPS)[:, np.newaxis] / STEPS
    rise: NDArray[Any] = np.clip((place - start) / (end - start), 0, 1) * np.ones(BANDS)
    return rise


@pytest.mark.parametrize("start", [0.0, 0.5, 2 / 3])
def test_what_grows_toward_the_end_in_one_phase_is_found(start: float) -> None:
    (found,) = told(0.4 * growing(start) * np.exp(1j * np.array([1.4, 1.0, 0.7, 0.7])))
    assert found.span.end == STEPS * 8192
    assert 0.6 < found.span.start / found.span.end < 0.95
    assert found.numbers["early_over_late"] < 0.6


def test_nothing_steady_nothing_shifting_and_nothing_faint_is_found() -> None:
    steady = 0.4 * np.ones((STEPS, BANDS), np.complex128)
    effect = 0.4 * growing(0.6, 0.7) * np.exp(1j * np.array([-2.0, 2.0, -2.1, -0.6]))
    assert told(np.zeros((STEPS, BANDS), np.complex128)) == ()
    assert told(steady) == ()
    assert told(effect) == ()
    assert told(0.02 * growing(0.6) + 0j) == ()


def test_a_recording_without_the_table_tells_nothing() -> None:
    scene = SimpleNamespace(
        seen=SimpleNamespace(tracing=TracingTable()),
        side=SimpleNamespace(programme=Span(0, 100)),
    )
    assert find(cast("Scene", scene), listen_percent=0.3) == ()
