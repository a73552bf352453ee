import numpy as np

import spun
from sidekeep.dsp.groove import find_plays
from sidekeep.dsp.likeness import Likeness, compare
from sidekeep.dsp.presence import find_presence

LEAD_S = 3.5


def compared(before: spun.Audio, after: spun.Audio, gap_s: float = 2.0) -> Likeness:
    audio = spun.played([before, spun.silence(gap_s), after])
    slots = spun.slots(audio)
    (play,) = find_plays(slots)
    end, start = (
        slots.count(LEAD_S + before.shape[1] / spun.RATE_HZ + more_s) for more_s in (0.0, gap_s)
    )
    first, last = slots.count(LEAD_S), start + slots.count(after.shape[1] / spun.RATE_HZ)
    presence = find_presence(slots, play)
    return compare(slots, spun.cells(audio), presence, (first, end), (start, last))


def halves(music: spun.Audio) -> tuple[spun.Audio, spun.Audio]:
    half = music.shape[1] // 2
    return music[:, :half], music[:, half:]


def test_music_that_goes_on_after_a_silence_is_one_track() -> None:
    same = compared(*halves(spun.loop(60.0, key=1)))
    assert same.beat > 0.7
    assert same.notes < 0.01
    assert same.tempo < 0.1
    assert same.odds < -3


def test_other_music_is_another_track() -> None:
    other = spun.tune(30.0, key=8, peak=0.15, width=0.9)
    found = compared(spun.faded(spun.loop(30.0, key=1), 4.0), other)
    assert found.notes > 0.03
    assert found.width > 1.5
    assert found.odds > 1  # though all tunes here share one beat


def test_each_cue_moves_the_odds_its_way() -> None:
    whole = spun.loop(60.0, key=1)
    first, second = halves(whole)
    plain = compared(first, second)
    assert compared(first, second, gap_s=1.0).odds < plain.odds - 1
    assert compared(spun.faded(first, 6.0), second).odds > plain.odds + 1
    assert compared(first, spun.faded(second, in_s=15.0)).odds < plain.odds - 1
    off_beat = compared(first, second[:, round(0.27 * spun.RATE_HZ) :])
    assert off_beat.beat < plain.beat - 0.3


def test_one_channel_is_compared_by_its_colour() -> None:
    mono = [part.mean(axis=0, keepdims=True) for part in halves(spun.tune(60.0))]
    audio = spun.played([np.repeat(part, 2, axis=0) for part in mono])[:1]
    slots = spun.slots(audio)
    (play,) = find_plays(slots)
    presence = find_presence(slots, play)
    half = slots.count(LEAD_S + 30.0)
    spans = (slots.count(LEAD_S), half), (half, slots.count(LEAD_S + 60.0))
    assert compare(slots, spun.cells(audio), presence, *spans).width > 0
