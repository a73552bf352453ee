"""equalisation: the playback curve, for transfers made without one, before measuring."""

from __future__ import annotations

from dataclasses import dataclass

from sidekeep.dsp.filters import FilterTreatment
from sidekeep.dsp.playback_eq import TIME_CONSTANTS_US, playback_sections
from sidekeep.dsp.treatment import Treatment
from sidekeep.measurements import Measurements
from sidekeep.model import Plan, Recording, Sheet
from sidekeep.settings import choice
from sidekeep.steps.step import Step

_NAMES = {
    "riaa": "RIAA (3180, 318, 75 us)",
    "iec": "RIAA with the IEC amendment (7950, 3180, 318, 75 us)",
    "coarse": "coarse groove (3180, 450, 50 us)",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Which curve."""

    curve: str = choice(
        "curve",
        of=tuple(TIME_CONSTANTS_US),
        default="riaa",
        doc="`riaa`; `iec`, the same with the 20 Hz amendment; `coarse`, for records at 78",
    )


def treat(recording: Recording, sheet: Sheet, settings: Settings) -> Treatment:
    """Build the curve as a filter, 0 dB at 1 kHz."""
    del sheet
    note = f"played through the {_NAMES[settings.curve]} curve"
    sos = playback_sections(settings.curve, recording.rate_hz)
    return FilterTreatment(sos, recording.channels, note)


def decide(draft: Plan, seen: Measurements, settings: Settings) -> Plan:
    """Note what was done."""
    del seen
    return draft.noting("equalisation", "equalised", curve=settings.curve)


STEP = Step("equalisation", Settings, decide, treat)
