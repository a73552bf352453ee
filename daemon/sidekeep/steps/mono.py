"""mono: two channels to one for records cut in mono, before everything else."""

from __future__ import annotations

from dataclasses import dataclass

from sidekeep.dsp.mono import MonoTreatment, snr_gain_db
from sidekeep.dsp.treatment import Treatment
from sidekeep.measurements import Measurements
from sidekeep.model import Plan, Recording, Sheet
from sidekeep.settings import choice
from sidekeep.steps.step import Step


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What the one channel is made of."""

    take: str = choice(
        "take",
        of=("sum", "left", "right"),
        default="sum",
        doc="`sum`, half of left plus right; or one wall of the groove, when the other is damaged",
    )


def treat(recording: Recording, sheet: Sheet, settings: Settings) -> Treatment | None:
    """Build the sum; None for a recording that has one channel."""
    del sheet
    return MonoTreatment(settings.take, recording.rate_hz) if recording.channels == 2 else None


def decide(draft: Plan, seen: Measurements, settings: Settings) -> Plan:
    """Note what the channel is made of and what that gained in signal to noise."""
    if not len(seen.mono.both):
        return draft.noting("mono", "was_mono")
    gain_db = snr_gain_db(seen.mono)
    return draft.noting("mono", "made_mono", take=settings.take, snr_gain_db=gain_db)


STEP = Step("mono", Settings, decide, treat)
