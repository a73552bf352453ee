"""The steps, in the one order in which they run.

Adding a step is one new file, one line here, its test file and its paragraph in the README.
"""

from sidekeep.steps import (
    balance,
    dc,
    deliver,
    equalisation,
    file,
    level,
    mono,
    rumble,
    speed,
    split,
    tag,
    trim,
    verdict,
)
from sidekeep.steps.step import Step

STEPS: tuple[Step, ...] = (
    mono.STEP,
    speed.STEP,
    dc.STEP,
    rumble.STEP,
    equalisation.STEP,
    trim.STEP,
    balance.STEP,
    split.STEP,
    level.STEP,
    verdict.STEP,
    tag.STEP,
    deliver.STEP,
    file.STEP,
)

__all__ = ["STEPS", "Step"]
