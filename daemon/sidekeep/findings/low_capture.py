"""Low capture: the gain was so low that the word length or the converter's noise shows.

Soft music has low peaks too, but at a proper gain its groove noise lies where that of any record lies,
well above what the converter adds.
"""

from __future__ import annotations

import numpy as np

from sidekeep.findings.scene import Scene, decibels, graded
from sidekeep.model import Finding, Severity

_LOUD_SHARE = 0.999  # clicks are louder than the programme, but rare


def find(
    scene: Scene, *, listen_dbfs: float, again_dbfs: float, noise_dbfs: float
) -> tuple[Finding, ...]:
    """See how high the programme's peaks reach, and the groove noise.

    Args:
        scene: the side.
        listen_dbfs: peaks below this were captured low.
        again_dbfs: peaks below this ask for another take.
        noise_dbfs: groove noise above this shows that the gain was right.
    """
    cell = scene.seen.levels.cell_frames
    programme = scene.side.programme
    peaks = scene.seen.levels.sample_peak[:, programme.start // cell : programme.end // cell]
    if not peaks.size:
        return ()
    peak_dbfs = float(20 * np.log10(max(np.quantile(peaks.max(axis=0), _LOUD_SHARE), 1e-9)))
    severity = graded(-peak_dbfs, listen=-listen_dbfs, again=-again_dbfs)
    if severity is Severity.NOTE or decibels(_noise(scene)) > noise_dbfs:
        return ()
    detail = f"The programme was captured low: its peaks reach only {peak_dbfs:.0f} dBFS."
    numbers = {"peak_dbfs": round(peak_dbfs, 1)}
    return (Finding("low capture", severity, programme, detail, numbers),)


def _noise(scene: Scene) -> float:
    """Power of the groove noise of the louder channel; nothing where no groove is heard."""
    return float(scene.groove_power_without_rumble().max()) if scene.side.groove else 0.0
