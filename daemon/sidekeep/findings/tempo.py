"""Music that keeps no steady tempo: free playing, which is none of the turntable's."""

from __future__ import annotations

import numpy as np

from sidekeep.dsp.gathering import let_go
from sidekeep.dsp.rhythm import onsets, steadiness
from sidekeep.findings.scene import Scene, stretches
from sidekeep.model import Finding, Severity, Span

_WINDOW_S, _HOP_S = 16.0, 4.0
_BANDS = slice(2, 16)
_LIVELY_DB = 1.2  # rms of the onsets; where less begins there is no tempo to keep
_UNSTEADY = 0.36  # recorded ensembles lie above
_LEAST_WINDOWS = 2


def find(scene: Scene) -> tuple[Finding, ...]:
    """Note where notes come and go in no steady tempo.

    It says that a change of tempo there is the players': only one that bends the pitch as well is
    told as a slip (`findings.pitch`).

    Args:
        scene: the side.
    """
    bands = scene.seen.bands
    cell_s = bands.cell_frames / scene.seen.rate_hz
    cell, window, hop = bands.cell_frames, round(_WINDOW_S / cell_s), round(_HOP_S / cell_s)
    found: list[tuple[int, int]] = []
    for piece in scene.pieces():
        first, last = -(-piece[0] // cell), min(piece[1] // cell, bands.level.shape[1])
        starts = range(first, last - window + 1, hop)
        unsteady = np.zeros(len(starts), bool)
        for index, start in enumerate(starts):
            onset = onsets(bands.level[0, start : start + window, _BANDS])
            lively = float(onset.std()) >= _LIVELY_DB
            unsteady[index] = lively and steadiness(onset, cell_s) < _UNSTEADY
        runs = (run for run in stretches(unsteady) if run[1] - run[0] >= _LEAST_WINDOWS)
        found += [(starts[begin], starts[end - 1] + window) for begin, end in runs]
    let_go(bands.level)
    if not found:
        return ()
    span = Span(found[0][0] * cell, found[-1][1] * cell)
    total_s = round(sum(end - start for start, end in found) * cell_s, 1)
    detail = (
        f"The music keeps no steady tempo, from {scene.clock(span.start)} on, as in free playing "
        "or speech; that is no fault of the turntable."
    )
    return (Finding("unsteady music", Severity.NOTE, span, detail, {"unsteady_s": total_s}),)
