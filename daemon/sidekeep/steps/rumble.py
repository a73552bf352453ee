"""rumble: takes out what lies below the music (turntable, warp, footfall), before measuring."""

from __future__ import annotations

from dataclasses import dataclass

from sidekeep.dsp.filters import FilterTreatment
from sidekeep.dsp.treatment import Treatment
from sidekeep.measurements import Measurements
from sidekeep.model import Plan, Recording, Sheet
from sidekeep.settings import number, quantity
from sidekeep.steps.step import Step


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Where the filter sets in and how steeply."""

    corner_hz: float = quantity(
        "corner",
        unit="Hz",
        default=20.0,
        low=5.0,
        high=120.0,
        doc="frequency 3 dB down of the high-pass",
    )
    order: float = number(
        "order", default=4, low=1, high=8, doc="steepness: 6 dB an octave for each order"
    )


def treat(recording: Recording, sheet: Sheet, settings: Settings) -> Treatment:
    """Build a Butterworth high-pass, run forward."""
    import scipy.signal  # noqa: PLC0415  (slow to load, and most rule sets do not ask for it)

    del sheet
    order = round(settings.order)
    sos = scipy.signal.butter(
        order, settings.corner_hz, "highpass", fs=recording.rate_hz, output="sos"
    )
    note = f"rumble filter at {settings.corner_hz:g} Hz, {6 * order} dB an octave"
    return FilterTreatment(sos, recording.channels, note, settled=True)


def decide(draft: Plan, seen: Measurements, settings: Settings) -> Plan:
    """Note what was done."""
    del seen
    return draft.noting(
        "rumble", "rumble_filtered", corner_hz=settings.corner_hz, order=round(settings.order)
    )


STEP = Step("rumble", Settings, decide, treat)
