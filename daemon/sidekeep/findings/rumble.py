"""Rumble: subsonic energy of bearing, warp and floor; and thumps, single knocks of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.findings.scene import Scene, decibels
from sidekeep.model import Finding, Severity, Span

_BAND_HZ = (4.0, 28.0)
_THUMP_HZ = (6.0, 20.0)
_LANDING_S = 0.6  # a late needle drop is not a thump
_NOTE_DB = 10.0  # rumble so far under the threshold is not worth a note


def find(scene: Scene, *, listen_db: float, listen_dbfs: float) -> tuple[Finding, ...]:
    """Weigh what lies below 28 Hz against the programme's loud places.

    Read from the groove noise where there is any; kick drums are in the programme only. DIN 45500
    asks for 35 dB of unweighted distance to a reference near the loudest music.

    Args:
        scene: the side.
        listen_db: rumble against the loud programme from which it is worth hearing.
        listen_dbfs: level it must have as well; under soft music even a good deck rumbles.
    """
    spans = scene.side.groove or (scene.side.programme,)
    pieces = (piece for span in spans for piece in scene.low_band(_BAND_HZ, 2, span))
    power = np.concatenate([np.zeros(0), *(_per_tenth(piece) for piece in pieces)])
    loud = scene.loud_power()
    if power.size < 10 or loud <= 0:
        return ()
    rumble_db = decibels(float(np.mean(np.sort(power)[: -max(1, power.size // 4)])))
    ratio_db = rumble_db - decibels(loud)
    if ratio_db < listen_db - _NOTE_DB:
        return ()
    heard = ratio_db >= listen_db and rumble_db >= listen_dbfs
    severity = Severity.LISTEN if heard else Severity.NOTE
    detail = f"Rumble lies only {-ratio_db:.0f} dB under the loud music."
    numbers = {"rumble_over_loud_db": round(ratio_db, 1), "rumble_dbfs": round(rumble_db, 1)}
    return (Finding("rumble", severity, scene.side.needle_down, detail, numbers),)


def _per_tenth(signal: NDArray[np.float32]) -> NDArray[np.float64]:
    whole = signal.shape[1] // 100
    tenths = signal[:, : whole * 100].reshape(signal.shape[0], whole, 100)
    return np.asarray((tenths**2).mean(axis=(0, 2)))


def _peak_per_tenth(signal: NDArray[np.float32]) -> NDArray[np.float64]:
    peaks = np.abs(signal).max(axis=0)
    return np.asarray(peaks[: peaks.size // 100 * 100].reshape(-1, 100).max(axis=1))


def find_thumps(scene: Scene, *, stand_out_db: float, loudest_dbfs: float) -> tuple[Finding, ...]:
    """Look for single subsonic knocks: footfalls, a touched shelf.

    Args:
        scene: the side.
        stand_out_db: how far a knock rises above the music's own loudest fiftieth there.
        loudest_dbfs: knocks with smaller peaks than this are left out.
    """
    first, last = scene.ticks(scene.side.programme)
    first += round(_LANDING_S * scene.ticks_per_second)
    tick = scene.seen.events.tick_frames
    inside = Span(first * tick, max(first, last) * tick)
    pieces = scene.low_band(_THUMP_HZ, 2, inside)
    tenths = np.concatenate([np.zeros(0), *(_peak_per_tenth(piece) for piece in pieces)])
    if tenths.size < 20:
        return ()
    usual = float(np.quantile(tenths, 0.98))
    floor = max(usual * 10 ** (stand_out_db / 20), 10 ** (loudest_dbfs / 20))
    findings = []
    for tenth in _separate(np.flatnonzero(tenths >= floor), 10):
        around = tenths[max(0, tenth - 3) : tenth + 8]
        place = (first + tenth * 100) * scene.seen.events.tick_frames
        span = Span(place, place + round(0.5 * scene.seen.rate_hz))
        peak_dbfs = float(20 * np.log10(around.max()))
        detail = f"A thump at {scene.clock(place)}: below 20 Hz it peaks at {peak_dbfs:.0f} dBFS."
        findings.append(
            Finding("thumps", Severity.LISTEN, span, detail, {"peak_dbfs": round(peak_dbfs, 1)})
        )
    return tuple(findings)


def _separate(places: NDArray[np.int64], apart: int) -> list[int]:
    kept: list[int] = []
    for place in places.tolist():
        if not kept or place - kept[-1] > apart:
            kept.append(place)
    return kept
