"""Which pitches music comes back to, against slow counting."""

import numpy as np
import pytest

from sidekeep.dsp.repertoire import AROUND, BLOCK, STEP, fitness, repertoire, shifted_fitness

SCALE_HZ = 220.0 * 2 ** (np.arange(24) / 12)


def tones(cells: int, seed: int = 5) -> np.ndarray:
    rng = np.random.default_rng(seed)
    played = rng.choice(SCALE_HZ, (cells, 6)) * (1 + 3e-4 * rng.standard_normal((cells, 6)))
    played[rng.random(played.shape) < 0.2] = 0  # fewer partials here and there
    return played.astype(np.float32)


def test_the_blocks_around_are_counted_and_the_nearest_left_out() -> None:
    """Slow second implementation: partials counted one by one."""
    held_hz = tones(15 * BLOCK + 7)
    seen = repertoire(held_hz)
    many = (held_hz > 0).sum(axis=1)
    blocks = [int(many[first : first + BLOCK].sum()) for first in range(0, len(many), BLOCK)]
    for block in range(len(blocks)):
        before = sum(blocks[max(0, block - AROUND - 1) : max(0, block - 1)])
        after = sum(blocks[block + 2 : block + AROUND + 2])
        assert seen.before[block].sum() == before
        assert seen.after[block].sum() == after


def test_partials_fit_in_best_when_a_shift_is_taken_back() -> None:
    held_hz = tones(15 * BLOCK)
    seen = repertoire(held_hz)
    fit = fitness(seen.before + seen.after)
    shifts = range(-20, 11)
    moved = held_hz * np.float32(np.exp(-12 * STEP))
    for heard, shift in ((held_hz, 0), (moved, -12)):
        summed = shifted_fitness(heard, fit, shifts)
        assert np.median(summed.argmax(axis=1)) == shifts.index(shift)
    one = shifted_fitness(held_hz[:1], fit[:1], shifts)
    middle = [fit[0, int(np.rint(np.log(hz / 170.0) / STEP))] for hz in held_hz[0] if hz > 0]
    assert one[0, shifts.index(0)] == pytest.approx(sum(middle), rel=1e-4)


def test_too_little_says_nothing() -> None:
    few = repertoire(tones(2 * BLOCK))
    assert not fitness(few.before + few.after).any()
    assert repertoire(np.zeros((0, 6), np.float32)).before.shape[0] == 0
