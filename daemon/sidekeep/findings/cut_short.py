"""Cut short: the recording begins in the music, or ends before the run-out."""

from __future__ import annotations

import numpy as np

from sidekeep.findings.scene import Scene, decibels
from sidekeep.model import Finding, Severity, Span

_EDGE_S = 0.3  # the programme touches the edge when it lies this close
_LISTENED_S = 0.2


def find(scene: Scene, *, above_noise_db: float) -> tuple[Finding, ...]:
    """See whether the programme touches the edges of the stylus's time in the groove, loud.

    Args:
        scene: the side.
        above_noise_db: how far above the groove noise the edge must be to be music that was cut.
    """
    rate = scene.seen.rate_hz
    down, programme = scene.side.needle_down, scene.side.programme
    noise = decibels(float(scene.groove_power().mean()))
    listened = round(_LISTENED_S * rate)
    findings = []
    for at_start in (True, False):
        gap = programme.start - down.start if at_start else down.end - programme.end
        if gap > _EDGE_S * rate:
            continue
        edge = (
            Span(programme.start, programme.start + listened)
            if at_start
            else Span(programme.end - listened, programme.end)
        )
        cells = scene.levels(Span(max(0, edge.start), min(edge.end, scene.seen.frames)))
        above = decibels(float(np.median(cells.mean(axis=0)))) - noise if cells.size else 0.0
        if above < above_noise_db:
            continue
        detail = (
            "The recording begins in the music; the start of the side is missing."
            if at_start
            else f"The recording ends in the music, at {scene.clock(programme.end)}."
        )
        numbers = {"above_noise_db": round(above, 1), "silence_s": round(gap / rate, 2)}
        findings.append(Finding("cut short", Severity.AGAIN, edge, detail, numbers))
    return tuple(findings)
