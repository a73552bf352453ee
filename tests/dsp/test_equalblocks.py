import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidekeep.dsp.equalblocks import EqualBlocks


@given(st.lists(st.integers(0, 25), max_size=12), st.integers(1, 9))
def test_nothing_is_lost_or_doubled(lengths: list[int], frames: int) -> None:
    signal = np.arange(2 * sum(lengths), dtype=np.float64).reshape(2, -1)
    cutter = EqualBlocks(2, frames, np.float64)
    given, at = [], 0
    for length in lengths:
        given += [equal.copy() for equal in cutter.cut(signal[:, at : at + length])]
        at += length
    assert all(equal.shape == (2, frames) for equal in given)
    last, left = cutter.last()
    assert not last[:, left:].any()
    assert np.array_equal(np.concatenate((*given, last[:, :left]), axis=1), signal)


def test_blocks_with_another_number_of_channels_are_refused() -> None:
    with pytest.raises(ValueError, match="1 channels where 2"):
        list(EqualBlocks(2, 4, np.float64).cut(np.zeros((1, 8))))
