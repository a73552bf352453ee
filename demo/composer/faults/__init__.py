"""Faults that can be put into a composed side, with exact truth.

Every fault is a function of the side, a place in seconds, a strength (1 = a careful listener
notices it, 2 = twice as strong) and a seed, and gives a new side whose truth names it. Faults of
the whole side ignore the place.
"""

from collections.abc import Callable

from composer.faults import origin, sound, timeline
from composer.side import ComposedSide

Fault = Callable[[ComposedSide, float, float, int], ComposedSide]

FAULTS: dict[str, Fault] = {
    "converter clipping": sound.converter_clipping,
    "preamplifier clipping": sound.preamp_clipping,
    "low capture": origin.low_capture,
    "dead channel": sound.dead_channel,
    "weak channel": sound.weak_channel,
    "one-sided noise": sound.one_sided_noise,
    "swapped polarity": sound.swapped_polarity,
    "locked groove": timeline.locked_groove,
    "skip": timeline.skip,
    "dropout, zeros": timeline.zeros,
    "dropout, repeated": timeline.repeated_buffer,
    "dropout, missing": timeline.missing,
    "speed": timeline.speed,
    "slip": timeline.slip,
    "slip, lasting": timeline.lasting_slip,
    "wow": timeline.wow,
    "hum": sound.hum,
    "rumble": sound.rumble,
    "thump": sound.thump,
    "clicks": sound.clicks,
    "scratch": sound.scratch,
    "groove noise": sound.dirt,
    "inner distortion": sound.inner_distortion,
    "cut short, start": timeline.cut_start,
    "cut short, end": timeline.cut_end,
    "lossy, low-passed": origin.low_passed,
    "lossy, coded": origin.coded,
    "padded words": origin.padded_words,
    "upsampled": origin.upsampled,
}

__all__ = ["FAULTS", "Fault"]
