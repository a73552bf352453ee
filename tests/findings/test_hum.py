"""Hum is read from the groove however it is cut up."""

from dataclasses import replace

from composer import Band
from composer.faults import FAULTS
from findings_rig import scene, side_of
from sidekeep.findings import hum
from sidekeep.model import Span


def test_a_groove_in_pieces_too_short_for_a_spectrum_tells_as_much() -> None:
    seen = scene(FAULTS["hum"](side_of(Band(104, key=2)), 10.0, 1.0, 3))
    whole = hum.find(seen, listen_db=-6.0, listen_dbfs=-75.0)
    assert [one.kind for one in whole] == ["hum"]
    length = seen.seen.rate_hz // 2
    pieces = tuple(
        Span(start, min(start + length, span.end))
        for span in seen.side.groove
        for start in range(span.start, span.end, length)
    )
    parted = replace(seen, side=replace(seen.side, groove=pieces))
    assert hum.find(parted, listen_db=-6.0, listen_dbfs=-75.0) == whole
