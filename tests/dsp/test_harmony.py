import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.harmony import note_likeness, notes, own_note_likeness


def chord(steps: tuple[float, ...], cells: int = 60) -> NDArray[np.float32]:
    """Partials of the same notes in every cell, in semitones above 220 Hz."""
    return np.tile(220 * 2 ** (np.array(steps) / 12), (cells, 1)).astype(np.float32)


def test_octaves_are_one_note_and_quarter_tones_are_apart() -> None:
    low, high, off = notes(chord((0,))), notes(chord((12,))), notes(chord((0.5,)))
    assert low == pytest.approx(high)
    assert low.sum() == pytest.approx(1.0)
    assert int(low.argmax()) == 0
    assert int(off.argmax()) == 1


def test_the_same_notes_are_alike_and_others_are_not() -> None:
    minor, far = chord((0, 4, 8)), chord((2, 6, 10))
    assert note_likeness(minor, minor) == pytest.approx(1.0)
    assert note_likeness(minor, far) == pytest.approx(0.0, abs=1e-9)
    # One of three notes in common: the overlap is a third.
    assert note_likeness(minor, chord((0, 6, 10))) == pytest.approx(1 / 3)


def test_a_passage_that_changes_is_unlike_itself() -> None:
    steady, changing = chord((0, 4, 8)), np.concatenate((chord((0, 4, 8)), chord((2, 6, 10))))
    assert own_note_likeness(steady) == pytest.approx(1.0)
    assert own_note_likeness(changing) == pytest.approx(0.0, abs=1e-9)


def test_too_few_partials_tell_nothing() -> None:
    assert note_likeness(chord((0, 3, 7), 5), chord((0, 3, 7))) is None
    assert note_likeness(np.zeros((100, 6), np.float32), chord((0,))) is None
