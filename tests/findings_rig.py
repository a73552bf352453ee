"""A composed side as the detectors see it, with the places taken from its truth."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from composer import Band, ComposedSide, Groove, Programme, SideSpec, Track, compose
from event_meter import EventMeter
from sidekeep.dsp.bands import BandMeter
from sidekeep.dsp.capture import CaptureMeter
from sidekeep.dsp.levels import LevelMeter
from sidekeep.dsp.mono import MonoTable
from sidekeep.dsp.spectra import Framer
from sidekeep.dsp.tracing import TracingMeter
from sidekeep.findings.scene import Scene
from sidekeep.measurements import Measurements
from sidekeep.model import Finding, Part, Recording, Side, Span
from sidekeep.steps.verdict import Settings, side_findings


def tables(samples: NDArray[np.float64], rate_hz: int = 44_100, bits: int = 24) -> Measurements:
    """Measure what the detectors need, of samples written with so many bits."""
    steps = 2.0 ** (bits - 1)
    codes = np.clip(np.round(samples * steps), -steps, steps - 1) / steps
    block = codes.astype(np.float32)
    channels = block.shape[0]
    levels, events = LevelMeter(rate_hz, channels), EventMeter(rate_hz, channels)
    capture, tracing = CaptureMeter(rate_hz, channels), TracingMeter(rate_hz, channels)
    levels.update(block)
    events.update(block)
    spectra = Framer(rate_hz).update(block)
    events.update_spectra(spectra)
    tracing.update(spectra)
    bands = BandMeter(rate_hz, channels)
    bands.update(spectra)
    capture.update(block)
    unused = dict.fromkeys(("loudness", "peaks", "image"), MonoTable())
    return Measurements(
        rate_hz=rate_hz,
        channels=channels,
        frames=block.shape[1],
        levels=levels.finish(),
        bands=bands.finish(),
        events=events.finish(),
        capture=capture.finish(),
        tracing=tracing.finish(),
        **unused,  # type: ignore[arg-type]
    )


def scene(side: ComposedSide, bits: int = 24) -> Scene:
    """Look at a composed side, with its bounds and its groove noise as they truly are."""
    truth, rate_hz = side.truth, side.rate_hz

    def span(start_s: float, end_s: float) -> Span:
        return Span(round(start_s * rate_hz), round(end_s * rate_hz))

    programme = span(truth.programme_start_s, truth.programme_end_s)
    quiet = (
        (truth.needle_down_s + 0.6, truth.programme_start_s - 0.1),
        (truth.programme_end_s + 0.1, truth.needle_up_s - 0.1),
    )
    groove = tuple(span(first, last) for first, last in quiet if last - first > 0.5)
    down = span(truth.needle_down_s, truth.needle_up_s)
    seen = tables(side.samples, rate_hz, bits)
    parts = (Part("A.wav", seen.frames, 6 * seen.frames, "0" * 64),)
    recording = Recording(parts, "wav", "int", bits, rate_hz, 2, seen.frames)
    return Scene(seen, Side("A", down, programme, programme, groove), recording, truth.rpm)


@cache
def clean_side() -> ComposedSide:
    """A good transfer of a band, 26 seconds, 44.1 kHz."""
    return side_of(Band())


def side_of(programme: Programme, **changes: object) -> ComposedSide:
    """A good transfer of one track of a programme."""
    values: dict[str, object] = {"seed": 3, "locked_s": 8.0, "groove": Groove(level_dbfs=-60.0)}
    values |= changes
    return compose(SideSpec((Track("Slack Water", programme, 26.0),), **values))  # type: ignore[arg-type]


def findings(side: ComposedSide, bits: int = 24, **settings: object) -> tuple[Finding, ...]:
    """All findings about a composed side."""
    return side_findings(scene(side, bits), Settings(**settings))  # type: ignore[arg-type]
