"""Cut short: the recording begins in the music, or ends before the run-out."""

from __future__ import annotations

import numpy as np

from sidekeep.findings.scene import Scene, decibels
from sidekeep.model import Finding, Severity, Span

_EDGE_S = 0.3  # the programme touches the edge when it lies this close
_RUN_OUT_S = 1.0  # the least that is left of a side whose file ends with the stylus down
_LEAD_IN_S = 0.6  # lead-ins are longer: who recorded less of one may have missed more than that
_LISTENED_S = 0.6


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
        beyond = down.start if at_start else scene.seen.frames - down.end
        least_s = _LEAD_IN_S if at_start else _RUN_OUT_S
        if gap > (least_s if beyond < _EDGE_S * rate else _EDGE_S) * rate:
            continue
        edge = (
            Span(programme.start, min(programme.start + listened, programme.end))
            if at_start
            else Span(max(programme.start, programme.end - listened), programme.end)
        )
        above = _loudest_tenth_db(scene, edge) - noise
        if above < above_noise_db:
            continue
        severity = Severity.AGAIN
        detail = f"The recording ends in the music, at {scene.clock(programme.end)}."
        if at_start and gap > _EDGE_S * rate:
            severity = Severity.LISTEN
            detail = (
                f"The recording begins only {gap / rate:.1f} s before the first sound; "
                "the start of the side may be missing."
            )
        elif at_start:
            detail = "The recording begins in the music; the start of the side is missing."
        numbers = {"above_noise_db": round(above, 1), "silence_s": round(gap / rate, 2)}
        place = Span(down.start, edge.end) if at_start else edge
        findings.append(Finding("cut short", severity, place, detail, numbers))
    return tuple(findings)


def _loudest_tenth_db(scene: Scene, span: Span) -> float:
    cells = scene.levels(span).mean(axis=0)
    tenths = cells[: max(1, cells.size // 10) * 10]
    whole = tenths.reshape(-1, 10) if tenths.size % 10 == 0 else tenths[np.newaxis]
    return decibels(float(whole.mean(axis=1).max())) if cells.size else -200.0
