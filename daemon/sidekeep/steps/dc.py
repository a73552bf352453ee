"""dc: takes out a constant offset of the converter, before measuring."""

from __future__ import annotations

from dataclasses import dataclass

from sidekeep.dsp.filters import FilterTreatment
from sidekeep.dsp.treatment import Treatment
from sidekeep.measurements import Measurements
from sidekeep.model import Plan, Recording, Sheet
from sidekeep.settings import quantity
from sidekeep.steps.step import Step


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How the offset is taken out."""

    corner_hz: float = quantity(
        "corner",
        unit="Hz",
        default=1.0,
        low=0.2,
        high=5.0,
        doc="frequency 3 dB down of the first-order high-pass that removes the offset",
    )


def treat(recording: Recording, sheet: Sheet, settings: Settings) -> Treatment:
    """Build a first-order high-pass, run forward: at 1 Hz it takes 0.01 dB and 3 degrees at 20 Hz."""
    import scipy.signal  # noqa: PLC0415  (slow to load, and most rule sets do not ask for it)

    del sheet
    sos = scipy.signal.butter(1, settings.corner_hz, "highpass", fs=recording.rate_hz, output="sos")
    note = f"DC offset removed (first-order high-pass at {settings.corner_hz:g} Hz)"
    return FilterTreatment(sos, recording.channels, note, settled=True)


def decide(draft: Plan, seen: Measurements, settings: Settings) -> Plan:
    """Note what was done."""
    del seen
    return draft.noting("dc", "offset_removed", corner_hz=settings.corner_hz)


STEP = Step("dc", Settings, decide, treat)
