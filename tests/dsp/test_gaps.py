import spun
from sidekeep.dsp.gaps import Gap, find_gaps
from sidekeep.dsp.groove import find_plays
from sidekeep.dsp.islands import find_islands
from sidekeep.dsp.presence import find_presence


def gaps(parts: list[spun.Audio]) -> tuple[float, tuple[Gap, ...]]:
    slots = spun.slots(spun.played(parts))
    (play,) = find_plays(slots)
    presence = find_presence(slots, play)
    islands = find_islands(presence, slots, play)
    return slots.seconds, find_gaps(slots, presence, islands, 0.6)


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


def test_a_gap_that_leaves_a_short_track_is_less_likely() -> None:
    one, other = spun.tune(35.0), spun.tune(35.0, key=8, peak=0.15)
    _, (long,) = gaps([one, spun.silence(2.0), other])
    _, (short,) = gaps([one, spun.silence(2.0), other[:, : 12 * spun.RATE_HZ]])
    assert short.likeness.odds < long.likeness.odds - 1.5
