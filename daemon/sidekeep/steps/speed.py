"""speed: a record played at another speed than it was cut for, put right before measuring."""

from __future__ import annotations

from dataclasses import dataclass

from sidekeep.dsp.resample import SpeedTreatment
from sidekeep.dsp.treatment import Treatment
from sidekeep.measurements import Measurements
from sidekeep.model import Plan, Recording, Sheet
from sidekeep.settings import number, quantity
from sidekeep.steps.step import Step

# 78.26 = 7200 / 92, the stroboscope at 60 Hz; write 77.92 for the one at 50 Hz (6000 / 77).
_EXACT_RPM = {16.0: 50 / 3, 33.0: 100 / 3, 33.3: 100 / 3, 33.33: 100 / 3, 78.0: 7200 / 92}


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """The speed of the turntable and of the record."""

    played_rpm: float | None = number(
        "played",
        default=None,
        low=10.0,
        high=120.0,
        doc="speed at which the record was played, in rpm; 16, 33 and 78 mean 16 2/3, 33 1/3, 78.26",
    )
    cut_rpm: float | None = number(
        "cut",
        default=None,
        low=10.0,
        high=120.0,
        doc="speed for which the record was cut, in rpm; without it, that of the sheet",
    )
    fine_percent: float = quantity(
        "fine",
        unit="%",
        default=0.0,
        low=-15.0,
        high=15.0,
        doc="fine correction; positive makes the music faster and higher",
    )


def speed_factor(sheet: Sheet, settings: Settings) -> float:
    """How much faster the music must run than in the recording."""
    played, cut = settings.played_rpm, settings.cut_rpm or sheet.rpm
    coarse = 1.0
    if played is not None and cut is not None:
        coarse = _EXACT_RPM.get(cut, cut) / _EXACT_RPM.get(played, played)
    return coarse * (1 + settings.fine_percent / 100)


def treat(recording: Recording, sheet: Sheet, settings: Settings) -> Treatment | None:
    """Build the change of speed; None when the record ran at its own."""
    factor = speed_factor(sheet, settings)
    if factor == 1.0:
        return None
    note = f"speed changed by {100 * (factor - 1):+.3f} %"
    return SpeedTreatment(factor, recording.rate_hz, recording.channels, note)


def decide(draft: Plan, seen: Measurements, settings: Settings) -> Plan:
    """Note by how much the speed was changed, if it was."""
    del seen
    factor = speed_factor(draft.sheet, settings)
    if factor == 1.0:
        return draft
    return draft.noting("speed", "speed_corrected", factor=round(factor, 6))


STEP = Step("speed", Settings, decide, treat)
