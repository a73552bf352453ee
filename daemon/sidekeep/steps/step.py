"""What a step is: one treatment that a rule set can ask for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from sidekeep.dsp.treatment import Treatment
from sidekeep.measurements import Measurements
from sidekeep.model import Plan, Recording, Sheet

Decide = Callable[[Plan, Measurements, Any], Plan]
Treat = Callable[[Recording, Sheet, Any], Treatment | None]


@dataclass(frozen=True, slots=True)
class Step:
    """One rule-set key.

    `settings` is the class of its section. `decide` is pure: the draft so far, the measurements and
    the section's settings in, the next draft out. `treat`, where the step changes the spectrum or the
    time line, builds the treatment that runs before measuring, in both readings; it returns None when
    there is nothing to do.
    """

    name: str
    settings: type[Any]
    decide: Decide
    treat: Treat | None = None
