"""Clicks: how many a minute, and a scratch as ticks once per revolution."""

from __future__ import annotations

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from sidekeep.dsp.events import spike_db
from sidekeep.findings.scene import Scene
from sidekeep.model import Finding, Severity, Span

_NEAR_TICKS = 8  # the treble level around a click is read from so many ticks on either side
_WIDTH_TICKS = 2  # a click is over within so many ticks


def click_ticks(treble_db: NDArray[np.float32], *, stand_out_db: float) -> NDArray[np.int64]:
    """Ticks at which the treble stands alone: far above the ticks before *and* after it.

    A drum is loud after its attack, a click is not; so the louder of the two neighbourhoods counts.

    Args:
        treble_db: treble peaks in decibels, shape (ticks,), of one channel.
        stand_out_db: how far a click rises above its neighbourhood.
    """
    if treble_db.size < 4 * _NEAR_TICKS:
        return np.zeros(0, np.int64)
    near = scipy.ndimage.uniform_filter1d(treble_db, _NEAR_TICKS, mode="nearest")
    shift = _NEAR_TICKS // 2 + _WIDTH_TICKS
    before, after = np.roll(near, shift), np.roll(near, -shift)
    above = treble_db - np.maximum(before, after)
    above[:shift] = above[-shift:] = 0.0
    peak = scipy.ndimage.maximum_filter1d(treble_db, 2 * _WIDTH_TICKS + 1)
    ticks: NDArray[np.int64] = np.flatnonzero((above >= stand_out_db) & (treble_db == peak))
    return ticks[np.diff(ticks, prepend=-_NEAR_TICKS) > _WIDTH_TICKS]


def find(scene: Scene, *, stand_out_db: float, listen_per_minute: float) -> tuple[Finding, ...]:
    """Count clicks over the programme.

    Args:
        scene: the side.
        stand_out_db: how far a click rises above the treble around it.
        listen_per_minute: the rate from which a person should hear the side.
    """
    first, last = scene.ticks(scene.side.programme)
    minutes = (last - first) * scene.seen.events.tick_frames / scene.seen.rate_hz / 60
    if minutes <= 0:
        return ()
    loudest = spike_db(scene.seen.events.treble[:, first:last]).max(axis=0)
    ticks = click_ticks(loudest, stand_out_db=stand_out_db)
    if ticks.size == 0:
        return ()
    rate = ticks.size / minutes
    severity = Severity.LISTEN if rate >= listen_per_minute else Severity.NOTE
    top = np.sort(ticks[np.argsort(loudest[ticks])[-3:]]) + first
    tick = scene.seen.events.tick_frames
    places = ", ".join(scene.clock(place * tick) for place in top.tolist())
    detail = f"{rate:.1f} clicks a minute, the loudest at {places}."
    span = Span(int(ticks[0] + first) * tick, int(ticks[-1] + first + 1) * tick)
    return (Finding("clicks", severity, span, detail, {"clicks_per_minute": round(rate, 2)}),)
