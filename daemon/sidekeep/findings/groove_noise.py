"""Groove noise against programme: dirt and wear."""

from __future__ import annotations

from sidekeep.findings.scene import Scene, decibels
from sidekeep.model import Finding, Severity


def find(scene: Scene, *, listen_db: float, listen_dbfs: float) -> tuple[Finding, ...]:
    """Weigh the groove noise, less its rumble, against the programme's loud places.

    Args:
        scene: the side.
        listen_db: noise against the loud programme from which it may be unusual.
        listen_dbfs: level it must have as well; under soft music even a clean groove is heard.
    """
    loud = scene.loud_power()
    if not scene.side.groove or loud <= 0:
        return ()
    noise_db = decibels(float(scene.groove_power_without_rumble().max()))
    ratio_db = noise_db - decibels(loud)
    unusual = ratio_db >= listen_db and noise_db >= listen_dbfs
    severity = Severity.LISTEN if unusual else Severity.NOTE
    detail = f"The groove noise lies {-ratio_db:.0f} dB under the loud music."
    numbers = {"noise_over_loud_db": round(ratio_db, 1), "noise_dbfs": round(noise_db, 1)}
    return (Finding("groove noise", severity, scene.side.programme, detail, numbers),)
