"""Hum: mains frequency and its harmonics, read where only groove noise is."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.findings.scene import Scene, decibels
from sidekeep.model import Finding, Severity, Span

_MAINS_HZ = (50.0, 60.0)
_LOWEST_HZ, _HIGHEST_HZ = 35.0, 310.0
_CONTRAST = 8.0  # a line's power against its surroundings
_LEAST_LINES = 2


def find(scene: Scene, *, listen_db: float, listen_dbfs: float) -> tuple[Finding, ...]:
    """Look for mains lines in the groove noise; music, which may play the same notes, is not there.

    Args:
        scene: the side.
        listen_db: hum against the rest of the groove noise from which it is worth hearing.
        listen_dbfs: level it must have as well.
    """
    spectrum, step_hz = _groove_spectrum(scene)
    if not spectrum.size:
        return ()
    hum, mains_hz, lines = max(_lines(spectrum, step_hz, mains) for mains in _MAINS_HZ)
    if lines < _LEAST_LINES:
        return ()
    # Rumble is a finding of its own; what lies under the lowest line is not counted.
    rumble = float(2 * spectrum[: round(_LOWEST_HZ / step_hz)].sum() / 1.5)
    noise = max(float(scene.groove_power().max()) - rumble, hum)
    hum_db = decibels(hum) - decibels(max(noise - hum, 0.05 * noise))
    heard = hum_db >= listen_db and decibels(hum) >= listen_dbfs
    severity = Severity.LISTEN if heard else Severity.NOTE
    detail = f"Mains hum at {mains_hz:.0f} Hz lies {abs(hum_db):.0f} dB "
    detail += "above the groove noise." if hum_db >= 0 else "below the groove noise."
    numbers = {
        "hum_over_noise_db": round(hum_db, 1),
        "hum_dbfs": round(decibels(hum), 1),
        "mains_hz": mains_hz,
    }
    return (Finding("hum", severity, scene.side.needle_down, detail, numbers),)


def _groove_spectrum(scene: Scene) -> tuple[NDArray[np.float64], float]:
    """Power spectrum of the groove noise, louder channel, by the median over one-second pieces."""
    rate_hz = scene.ticks_per_second
    length = 1 << round(np.log2(rate_hz))
    window = np.hanning(length)
    pieces = []
    for span in _joined(scene.side.groove):
        first, last = scene.ticks(span)
        signal = scene.seen.events.low_signal(first, last)
        for start in range(0, signal.shape[1] - length + 1, length // 2):
            piece = np.fft.rfft(signal[:, start : start + length] * window, axis=1)
            pieces.append(np.abs(piece / window.sum()) ** 2)
    if not pieces:
        return np.zeros(0), 1.0
    return np.median(pieces, axis=0).max(axis=0), rate_hz / length


def _joined(spans: tuple[Span, ...]) -> list[Span]:
    """Make one of spans that follow each other: a single one may be too short for a piece."""
    joined: list[Span] = []
    for span in sorted(spans, key=lambda span: span.start):
        if joined and span.start <= joined[-1].end:
            joined[-1] = Span(joined[-1].start, max(joined[-1].end, span.end))
        else:
            joined.append(span)
    return joined


def _lines(
    spectrum: NDArray[np.float64], step_hz: float, mains_hz: float
) -> tuple[float, float, int]:
    """Summed power (mean square) of the lines that stand out, their mains, and how many they are."""
    total, found = 0.0, 0
    for line_hz in np.arange(mains_hz, _HIGHEST_HZ, mains_hz):
        centre, wide = round(line_hz / step_hz), round(12 / step_hz)
        near = np.r_[spectrum[centre - wide : centre - 4], spectrum[centre + 5 : centre + wide + 1]]
        line = spectrum[centre - 2 : centre + 3]
        if line.max() > _CONTRAST * np.median(near):
            # A sine's amplitude A shows as A**2 / 4 here; Hann spreads it over 1.5 bins.
            total += float(2 * line.sum() / 1.5)
            found += 1
    return total, mains_hz, found
