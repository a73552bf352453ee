"""Source format: what the file says against what is in it: lossy origin, raised rate, padded words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.spectra import bin_hz
from sidekeep.findings.scene import Scene
from sidekeep.model import Finding, Severity

_BAND_HZ = 500.0
_EDGE_FROM_HZ, _EDGE_TO_HZ = 10_000.0, 22_000.0
#: Bands from before to after the edge, highest edge (where converters cut, nothing can be told), least
#: fall, and most that may lie above, per bin. The hiss of a preamplifier at -90 dBFS lies at -117; old
#: records lose their treble slowly.
_EDGES = (
    (2, 20_500.0, 30.0, -118.0),
    (2, 20_500.0, 45.0, 0.0),
    (4, 19_500.0, 40.0, -125.0),
)
_SHELF_HZ = ((20_000.0, 21_500.0), (22_500.0, 23_500.0), (41_000.0, 43_500.0), (45_000.0, 47_500.0))
_AFTER_HZ = ((25_000.0, 27_000.0), (25_000.0, 27_000.0), (50_000.0, 54_000.0), (50_000.0, 54_000.0))
_LOUD_SHARE = 0.95  # codecs leave holes in soft places; the edge shows in loud ones
_MOST_SPECTRA = 400  # spread over the side; enough for a median, however long it is


def find(scene: Scene, *, raised_db: float, severity: Severity) -> tuple[Finding, ...]:
    """Look at the end of the spectrum and at the lowest bits of the words.

    Hiss of groove and preamplifier reaches to the end of the spectrum, on the dullest of records;
    codecs and converters of the sample rate leave nothing above their edge.

    Args:
        scene: the side.
        raised_db: fall across the edge of a lower sample rate that only a raised rate shows.
        severity: how a lossy origin or a raised rate is told; the record itself may have been cut
            from such a source. Padded words are a note at most.
    """
    some = scene.some_spectra(_MOST_SPECTRA)
    findings = []
    if some.shape[1]:
        usual_db, loud_db = _quantile_db(some, 0.5), _quantile_db(some, _LOUD_SHARE)
        found = _lossy(scene, loud_db) or _raised(scene, usual_db, raised_db)
        findings += [replace(found, severity=severity)] if found else []
    padded = _padded(scene)
    return (*findings, padded) if padded else tuple(findings)


def _quantile_db(spectra: NDArray[np.float32], share: float) -> NDArray[np.float64]:
    """A quantile over time of the louder channel's spectrum, (bins,)."""
    power = np.quantile(spectra, share, axis=1).max(axis=0)
    return np.asarray(10 * np.log10(np.maximum(power, 1e-20)))


def _lossy(scene: Scene, level_db: NDArray[np.float64]) -> Finding | None:
    starts = np.arange(_EDGE_FROM_HZ, min(_EDGE_TO_HZ, scene.seen.rate_hz * 0.49), _BAND_HZ)
    bands = np.array([_level(scene, level_db, (at, at + _BAND_HZ)) for at in starts])
    for reach, highest_hz, least_db, most_db in _EDGES:
        falls = bands[:-reach] - bands[reach:]
        steepest = int(falls.argmax())
        edge_hz, fall_db = float(starts[steepest] + reach / 2 * _BAND_HZ), float(falls[steepest])
        above_db = float(np.median(bands[steepest + reach :]))
        if edge_hz <= highest_hz and fall_db >= least_db and above_db < most_db:
            detail = f"Nothing lies above {edge_hz / 1000:.1f} kHz: "
            detail += "the sound went through a lossy codec."
            numbers = {
                "edge_hz": edge_hz,
                "fall_db": round(fall_db, 1),
                "above_db": round(above_db, 1),
            }
            return Finding("source format", Severity.NOTE, scene.side.programme, detail, numbers)
    return None


def _raised(scene: Scene, level_db: NDArray[np.float64], raised_db: float) -> Finding | None:
    for shelf, after in zip(_SHELF_HZ, _AFTER_HZ, strict=True):
        if after[1] > scene.seen.rate_hz / 2:
            continue
        fall_db = _level(scene, level_db, shelf) - _level(scene, level_db, after)
        if fall_db >= raised_db:
            old_khz = "44.1 or 48" if after[0] < 30_000 else "88.2 or 96"
            detail = f"The file was brought to its sample rate from {old_khz} kHz."
            numbers = {"edge_hz": shelf[1], "fall_db": round(fall_db, 1)}
            return Finding("source format", Severity.NOTE, scene.side.programme, detail, numbers)
    return None


def _padded(scene: Scene) -> Finding | None:
    word, bits = scene.seen.capture.word, min(scene.recording.bits, 24)
    if word == 0:
        return None
    used = 24 - ((word & -word).bit_length() - 1)
    if used > bits - 4:
        return None
    detail = f"The words of {bits} bits hold only {used} bits; the rest is padding."
    numbers = {"used_bits": float(used), "bits": float(bits)}
    return Finding("source format", Severity.NOTE, scene.side.programme, detail, numbers)


def _level(scene: Scene, level_db: NDArray[np.float64], band_hz: tuple[float, float]) -> float:
    bins = bin_hz(scene.seen.rate_hz)
    return float(np.median(level_db[(bins >= band_hz[0]) & (bins < band_hz[1])]))
