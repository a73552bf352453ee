"""Standing still, on a clock that only the test moves."""

from __future__ import annotations

from collections.abc import Sequence

from sidekeep.service.inbox import Seen, Stamp
from sidekeep.service.names import Kind
from sidekeep.service.settling import FEWEST_LOOKS, Still, observe, quiet_s


def seen(size: int = 100, mtime_ns: int = 5, inode: int = 1, path: str = "A.wav") -> Seen:
    return Seen(path, Kind.RECORDING, Stamp(1, inode, size, mtime_ns))


def watch(looks: Sequence[tuple[float, Seen | None]]) -> list[float]:
    """Return how long the file had stood still after each look."""
    state: dict[str, Still] = {}
    quiet = []
    for now_s, file in looks:
        state = observe(state, [file] if file else [], now_s)
        quiet.append(quiet_s(state["A.wav"], now_s) if file else 0.0)
    return quiet


def test_a_file_at_rest_is_quiet_from_its_first_look_on() -> None:
    assert watch([(10.0, seen()), (11.0, seen()), (12.0, seen()), (15.0, seen())]) == [0, 0, 2, 5]


def test_one_look_is_not_enough_however_long_ago() -> None:
    assert FEWEST_LOOKS == 3
    assert watch([(0.0, seen()), (900.0, seen())]) == [0, 0]


def test_growth_begins_anew() -> None:
    looks = [(0.0, seen()), (1.0, seen()), (2.0, seen(200)), (3.0, seen(200)), (4.0, seen(200))]
    assert watch(looks) == [0, 0, 0, 0, 2]


def test_writing_into_a_preallocated_file_shows_in_its_time() -> None:
    looks = [(float(t), seen(1000, mtime_ns=t)) for t in range(60)]
    assert max(watch(looks)) == 0


def test_a_file_replaced_by_one_of_the_same_size_and_time_begins_anew() -> None:
    looks = [(0.0, seen()), (1.0, seen()), (2.0, seen()), (3.0, seen(inode=2))]
    assert watch(looks) == [0, 0, 2, 0]


def test_a_file_that_goes_and_comes_back_begins_anew() -> None:
    looks = [(0.0, seen()), (1.0, seen()), (2.0, None), (3.0, seen()), (4.0, seen())]
    assert watch(looks) == [0, 0, 0, 0, 0]


def test_the_files_own_time_may_lie_anywhere() -> None:
    for mtime_ns in (-(10**18), 0, 10**19):
        file = seen(mtime_ns=mtime_ns)
        assert watch([(0.0, file), (1.0, file), (5.0, file)]) == [0, 0, 5]


def test_a_clock_that_went_back_begins_anew() -> None:
    assert watch([(100.0, seen()), (101.0, seen()), (50.0, seen()), (51.0, seen())]) == [0, 0, 0, 0]


def test_files_are_kept_apart() -> None:
    state = observe({}, [seen(), seen(path="B.wav")], 0.0)
    state = observe(state, [seen(), seen(300, path="B.wav")], 1.0)
    assert state["A.wav"].looks == 2
    assert state["B.wav"].looks == 1
