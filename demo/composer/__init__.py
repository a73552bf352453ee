"""Composes sides of records that never existed, with exact ground truth.

from composer import Band, SideSpec, Track, compose, write

side = compose(SideSpec(tracks=(Track("Ebb", Band(key=2), 60.0), Track("Neap", Band(), 45.0))))
write(side, Path("A.wav"))
side.truth.gaps  # seconds between which a cut may fall
"""

from composer.music import Band, Chamber, HardPanned, Loop, Mono, Solo
from composer.programme import Dip, Programme, Silence, Track
from composer.recorded import Recorded
from composer.side import ComposedSide, Electronics, Groove, SideSpec, compose, join
from composer.truth import FaultTruth, TrackTruth, Truth
from composer.voices import Applause, Speech
from composer.writing import sheet_text, write

__all__ = [
    "Applause",
    "Band",
    "Chamber",
    "ComposedSide",
    "Dip",
    "Electronics",
    "FaultTruth",
    "Groove",
    "HardPanned",
    "Loop",
    "Mono",
    "Programme",
    "Recorded",
    "SideSpec",
    "Silence",
    "Solo",
    "Speech",
    "Track",
    "TrackTruth",
    "Truth",
    "compose",
    "join",
    "sheet_text",
    "write",
]
