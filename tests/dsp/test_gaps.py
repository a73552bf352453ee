import itertools

import spun
from sidekeep.dsp.gaps import MOST, Gap, find_gaps
from sidekeep.dsp.groove import find_plays
from sidekeep.dsp.islands import find_islands
from sidekeep.dsp.presence import find_presence


def gaps(parts: list[spun.Audio]) -> tuple[float, tuple[Gap, ...]]:
    audio = spun.played(parts)
    slots = spun.slots(audio)
    (play,) = find_plays(slots)
    presence = find_presence(slots, play)
    islands = find_islands(presence, slots, play)
    return slots.seconds, find_gaps(slots, spun.cells(audio), presence, islands, 0.6)


def test_the_cut_stands_shortly_before_a_hard_entry() -> None:
    parts = [spun.faded(spun.tune(35.0), 4.0), spun.silence(3.0), spun.tune(35.0, key=4)]
    seconds, (gap,) = gaps(parts)
    assert 38.5 < gap.cut * seconds < 41.5
    assert 0.2 < (gap.end - gap.cut) * seconds < 0.8


def test_a_slow_entry_is_cut_half_way() -> None:
    parts = [spun.tune(35.0), spun.silence(4.0), spun.faded(spun.tune(35.0, key=4), in_s=12.0)]
    seconds, (gap,) = gaps(parts)
    assert 38.5 < gap.cut * seconds < 42.5


def test_another_music_is_likelier_another_track_than_the_same_music() -> None:
    whole = spun.loop(70.0, key=1)
    half = whole.shape[1] // 2
    _, (same,) = gaps([whole[:, :half], spun.silence(2.0), whole[:, half:]])
    other = spun.tune(35.0, key=8, peak=0.15, width=0.9)
    _, (different,) = gaps([spun.faded(whole[:, :half], 3.0), spun.silence(2.0), other])
    assert same.likeness.odds < -0.3
    assert different.likeness.odds > 1.0


def test_of_very_many_pauses_the_longest_stay() -> None:
    spoken = [part for _ in range(45) for part in (spun.tune(1.5), spun.silence(0.8))]
    spoken[20] = spoken[60] = spun.tune(1.5)
    spoken[21] = spoken[61] = spun.silence(3.0)
    seconds, found = gaps(spoken)
    assert len(found) == MOST
    assert sum(gap.slots * seconds > 2.5 for gap in found) == 2
    assert all(a.end < b.start for a, b in itertools.pairwise(found))


def test_the_passages_compared_do_not_reach_into_another_track() -> None:
    first, second = spun.tune(30.0), spun.tune(30.0, key=8, peak=0.15, width=0.9)
    whole = [first, spun.silence(2.0), second, spun.silence(2.0), second]
    _, (_, same) = gaps(whole)
    assert same.likeness.notes < 0.02
