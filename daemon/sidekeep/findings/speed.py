"""Speed: the turntable's own, read from the run-out, whose groove repeats once per revolution."""

from __future__ import annotations

import numpy as np

from sidekeep.dsp.revolution import repetition
from sidekeep.findings.scene import RPM_PERIODS_S, Scene
from sidekeep.model import Finding, Severity, Span

_TOLERANCE = 0.07
_LIKENESS = 0.33
_LEAST_WINDOWS = 4
_NAMES = dict(zip(RPM_PERIODS_S, ("33 1/3", "45", "78"), strict=True))


def measured_turn_s(scene: Scene) -> tuple[float, float] | None:
    """Seconds per revolution as nominal and as measured in the run-out; None without evidence."""
    first, last = scene.ticks(Span(scene.side.programme.end, scene.side.needle_down.end))
    levels = scene.edges_db(first, last)
    best: tuple[float, float, float] | None = None
    for period_s in scene.periods_s():
        turn = period_s * scene.ticks_per_second
        seen = repetition(
            levels, turn_ticks=turn, tolerance=_TOLERANCE, hop_ticks=max(1, int(turn / 6))
        )
        sure = seen.likeness >= _LIKENESS
        lags = seen.lag[sure]
        if lags.size < _LEAST_WINDOWS:
            continue
        agreeing = np.abs(lags - np.median(lags)) <= 2
        if agreeing.mean() < 0.7:
            continue
        likeness = float(seen.likeness[sure].mean())
        if best is None or likeness > best[0]:
            best = (likeness, period_s, float(lags[agreeing].mean()) / scene.ticks_per_second)
    return None if best is None else best[1:]


def find(scene: Scene, *, listen_percent: float) -> tuple[Finding, ...]:
    """Compare the run-out's revolution with the record's speed.

    Where nobody said at which speed the record is to be played, the nearest one is assumed; that is
    no ground for an alarm, and the finding is a note which says so.

    Args:
        scene: the side.
        listen_percent: deviation from which the speed is worth correcting.
    """
    turn = measured_turn_s(scene)
    if turn is None:
        return ()
    nominal_s, measured_s = turn
    percent = (nominal_s / measured_s - 1) * 100
    if abs(percent) < listen_percent / 2:
        return ()
    way = "fast" if percent > 0 else "slow"
    detail = (
        f"The turntable ran {abs(percent):.1f} % {way}: "
        f"the run-out repeats every {measured_s:.3f} s"
    )
    detail += "." if scene.rpm else f", if the record is one of {_NAMES[nominal_s]} rpm."
    sure = scene.rpm is not None and abs(percent) >= listen_percent
    severity = Severity.LISTEN if sure else Severity.NOTE
    numbers = {"deviation_percent": round(percent, 2), "turn_s": round(measured_s, 4)}
    return (Finding("speed", severity, scene.side.needle_down, detail, numbers),)
