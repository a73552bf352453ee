"""A recording in which nothing was recorded."""

from __future__ import annotations

import numpy as np

from sidekeep.errors import Silent
from sidekeep.measurements import Measurements

_WINDOW_CELLS = 40
_NOISE_ONLY_DBFS = -45.0  # noise louder than this is somebody's music
_STEADY_DB = 6.0
_NOTHING_DBFS = -75.0


def check_not_silent(seen: Measurements) -> None:
    """Refuse a recording without programme: digital silence, or steady noise at a low level.

    Levels are read over 0.4 s; the loudest and quietest moments of mere noise lie close together.

    Args:
        seen: the measurements of the whole recording.

    Raises:
        Silent: nothing was recorded.
    """
    power = seen.levels.mean_square.max(axis=0).astype(np.float64)
    whole = power[: power.size // _WINDOW_CELLS * _WINDOW_CELLS]
    windows = whole.reshape(-1, _WINDOW_CELLS).mean(axis=1) if whole.size else power
    if not windows.size or windows.max() <= 1e-14:
        raise Silent(
            "The recording holds digital silence from end to end.",
            "Check the recorder's input, then play the side again.",
        )
    level_db = 10 * np.log10(np.maximum(windows, 1e-14))
    loud, quiet = np.quantile(level_db, 0.98), np.quantile(level_db, 0.2)
    if loud < _NOTHING_DBFS or (loud < _NOISE_ONLY_DBFS and loud - quiet < _STEADY_DB):
        raise Silent(
            f"The recording holds only noise, at {loud:.0f} dBFS, and no programme.",
            "Check that the stylus was down and the input was right, then play the side again.",
        )
