"""What the detectors are shown of a side."""

from dataclasses import replace

import numpy as np

from findings_rig import clean_side, scene
from sidekeep.dsp.edges import spike_db
from sidekeep.dsp.ticks import LOW_SCALE
from sidekeep.model import Span


def test_a_band_of_the_bass_holds_nothing_of_what_folded_back_near_half_the_rate() -> None:
    seen = scene(clean_side())
    events, rate_hz = seen.seen.events, seen.ticks_per_second
    time_s = np.arange(events.ticks) / rate_hz
    powers = []
    for tone_hz in (80.0, 0.97 * rate_hz / 2):
        low = 0.1 * np.sin(2 * np.pi * tone_hz * time_s) * LOW_SCALE
        heard = replace(events, low=np.stack((low, low)).astype(np.float16))
        shown = replace(seen, seen=replace(seen.seen, events=heard))
        span = Span(2000 * events.tick_frames, 20_000 * events.tick_frames)
        pieces = list(shown.low_band((25.0, 200.0), 4, span))
        powers.append(float(np.mean(np.concatenate(pieces, axis=1) ** 2)))
    passed, folded = powers
    assert abs(10 * np.log10(passed / 0.005)) < 0.1
    assert folded < 1e-6 * passed


def test_of_two_channels_the_louder_one_says_how_hard_an_edge_is() -> None:
    seen = scene(clean_side())
    events = seen.seen.events
    first, last = 1000, 5000
    edges_db = seen.edges_db(first, last)
    bands = (events.treble, events.middle)
    louder = [np.maximum(*(spike_db(row[first:last]) for row in band)) for band in bands]
    assert edges_db.tolist() == np.stack(louder).tolist()
    assert (events.treble[0] != events.treble[1]).any()
