"""How the channels belong together: swapped polarity, and a mono programme in stereo."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.spectra import bin_hz
from sidekeep.findings.scene import Scene
from sidekeep.model import Finding, Severity, Span

_BASS_HZ = (45.0, 200.0)  # above rumble, which may be vertical; below where stereo gets wide
_WINDOW_TICKS = 200
_LOUD = 10.0
_LEAST_WINDOWS = 10
_LEAST_BINS = 10
_MIDDLE_HZ = (300.0, 5000.0)


def find(scene: Scene, *, antiphase: float, mono_db: float) -> tuple[Finding, ...]:
    """Correlate the channels: in the bass for polarity, above it for mono.

    Args:
        scene: the side.
        antiphase: correlation of the bass, -1 to 0, below which the polarity may be swapped; below
            twice that it surely is. The difference must be louder than the sum as well.
        mono_db: the difference of the channels, against the channels, below which all is mono.
    """
    if scene.seen.channels != 2:
        return ()
    return (*_polarity(scene, antiphase), *_mono(scene, mono_db))


def _polarity(scene: Scene, antiphase: float) -> list[Finding]:
    left, right, product = _windows(scene, scene.side.programme)
    power = (left + right) / _WINDOW_TICKS
    if len(power) < _LEAST_WINDOWS:
        return []
    quiet = [_windows(scene, span) for span in scene.side.groove]
    noise = np.concatenate([np.zeros(0), *(pair[:2].sum(axis=0) / _WINDOW_TICKS for pair in quiet)])
    floor = float(np.median(noise)) if noise.size else float(np.quantile(power, 0.05, axis=0))
    loud = power > _LOUD * floor
    if loud.sum() < _LEAST_WINDOWS:
        return []
    sizes = np.sqrt(left[loud] * right[loud])
    likeness = product[loud] / np.maximum(sizes, 1e-20)
    correlation = float(np.average(likeness, weights=np.sqrt(sizes)))
    difference_db = _difference_db(scene)
    if correlation > antiphase or difference_db is None or difference_db < 0:
        return []
    detail = "The channels are in opposite polarity: the bass of one is the other's upside down."
    numbers = {
        "bass_correlation": round(correlation, 2),
        "difference_db": round(difference_db, 1),
    }
    sure = correlation <= 2 * antiphase
    severity = Severity.AGAIN if sure else Severity.LISTEN
    return [Finding("swapped polarity", severity, scene.side.programme, detail, numbers)]


def _windows(scene: Scene, span: Span) -> NDArray[np.float64]:
    """Sums of left squared, right squared and left times right in the bass, (3, windows)."""
    sums = [np.zeros((3, 0))]
    for bass in scene.low_band(_BASS_HZ, 3, span):
        whole = bass.shape[1] // _WINDOW_TICKS
        left, right = bass[:, : whole * _WINDOW_TICKS].reshape(2, whole, _WINDOW_TICKS)
        sums.append(np.stack([(left**2).sum(1), (right**2).sum(1), (left * right).sum(1)]))
    return np.concatenate(sums, axis=1)


def _difference_db(scene: Scene) -> float | None:
    """The channels' difference against the channels, 300 Hz to 5 kHz; 3 dB when there is no sum.

    Every band counts alike, so that the bass does not rule. None where the noise rules.
    """
    power, cross = scene.mean_spectra(scene.side.programme)
    quiet, _ = scene.mean_spectra(*scene.side.groove)
    if not power.size:
        return None
    bins = bin_hz(scene.seen.rate_hz)
    inside = (bins >= _MIDDLE_HZ[0]) & (bins < _MIDDLE_HZ[1])
    if quiet.size:
        inside &= (power > _LOUD * quiet).all(axis=0)
    if inside.sum() < _LEAST_BINS:
        return None
    left, right, both = power[0, inside], power[1, inside], cross[inside]
    gain = np.sqrt(left.sum() / right.sum())
    share = np.maximum(left + gain**2 * right - 2 * gain * both, 0) / (left + gain**2 * right)
    return float(10 * np.log10(max(float(share.mean()), 1e-12)))


def _mono(scene: Scene, mono_db: float) -> list[Finding]:
    difference_db = _difference_db(scene)
    if difference_db is None or difference_db > mono_db:
        return []
    detail = "Both channels carry the same programme: the record is mono."
    numbers = {"difference_db": round(difference_db, 1)}
    return [Finding("mono content", Severity.NOTE, scene.side.programme, detail, numbers)]
