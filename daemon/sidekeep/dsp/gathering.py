"""Putting a table together from the pieces that a meter left, without holding both for long."""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Piece = TypeVar("Piece", bound=NDArray[Any])


def gathered(pieces: list[Piece], axis: int, empty: Piece | None = None) -> Piece:
    """Concatenate the pieces along an axis and clear the list, so that its memory comes back.

    Args:
        pieces: arrays alike but for that axis.
        axis: the axis to join them on.
        empty: what is returned when there are none.
    """
    if not pieces and empty is not None:
        return empty
    whole: Any = np.concatenate(pieces, axis=axis)
    pieces.clear()
    result: Piece = whole
    return result
