"""The second process: what it is given arrives, what it makes comes back, and it never stays behind."""

from __future__ import annotations

import os
import resource
import signal
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.beside import Beside

Arrays = dict[str, NDArray[np.float32]]


class Sums:
    """Adds up the blocks of each number, and keeps one of them."""

    def __init__(self) -> None:
        self.sums = np.zeros((3, 2), np.float64)
        self.kept: list[NDArray[np.float32]] = []
        self.process = os.getpid()

    def take(self, number: int, block: NDArray[np.float32]) -> None:
        self.sums[number] += block.sum(axis=1)
        self.kept.append(block.copy())

    def finish(self) -> Arrays:
        return {
            "sums": self.sums.astype(np.float32),
            "kept": np.concatenate(self.kept, axis=1),
            "turned": np.moveaxis(np.arange(24, dtype=np.float32).reshape(4, 3, 2), 0, 1),
            "nothing": np.zeros((2, 0), np.float32),
            "elsewhere": np.asarray(float(os.getpid() != self.process), np.float32),
        }


def blocks() -> list[NDArray[np.float32]]:
    rng = np.random.default_rng(3)
    return [rng.integers(-99, 99, (2, size)).astype(np.float32) for size in (5, 700, 100, 1, 2500)]


def give_ten(beside: Beside) -> None:
    for _ in range(10):
        beside.give(0, np.zeros((2, 100), np.float32))


def tables_of_ten(beside: Beside) -> Arrays:
    give_ten(beside)
    beside.end()
    return beside.result()


def end_at_once(beside: Beside) -> None:
    beside.end()
    beside.result()


def test_tables_come_back_from_another_process() -> None:
    here = Sums()
    meters = Sums()
    with Beside(meters.take, meters.finish, 2, 700) as beside:
        for number, block in enumerate(blocks()):
            if number % 2 and block.shape[1] <= 700:
                made_there = beside.room(*block.shape)
                made_there[:] = block
                beside.give(number % 3, made_there)
            else:
                beside.give(number % 3, block)
            here.take(number % 3, block)
        beside.end()
        found = beside.result()
    wanted = here.finish()
    for name in ("sums", "kept", "turned", "nothing"):
        assert np.array_equal(found[name], wanted[name]), name
        assert found[name].dtype == wanted[name].dtype
    assert found["elsewhere"] == 1.0
    assert meters.kept == []  # nothing happened here


def test_an_error_over_there_is_raised_here() -> None:
    def take(_number: int, _block: NDArray[np.float32]) -> None:
        raise OSError(28, "No space left on device")

    with (
        Beside(take, Sums().finish, 2, 100) as beside,
        pytest.raises(OSError, match="No space left"),
    ):
        give_ten(beside)


def test_a_disk_without_room_for_the_tables_is_told_as_such() -> None:
    def finish() -> Arrays:
        resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))  # every write over there fails
        return {"table": np.ones((2, 100), np.float32)}

    with (
        Beside(lambda *_: None, finish, 2, 100) as beside,
        pytest.raises(OSError, match="File too large"),
    ):
        tables_of_ten(beside)


def test_a_process_that_is_killed_is_noticed() -> None:
    def take(_number: int, _block: NDArray[np.float32]) -> None:
        os.kill(os.getpid(), signal.SIGKILL)

    with (
        Beside(take, Sums().finish, 2, 100) as beside,
        pytest.raises(RuntimeError, match="with -9"),
    ):
        give_ten(beside)


def test_an_error_in_its_last_act_is_raised_here_too() -> None:
    with (
        Beside(Sums().take, Sums().finish, 2, 100) as beside,
        pytest.raises(ValueError, match="array"),
    ):
        end_at_once(beside)  # there is nothing to put together


def children() -> set[int]:
    listed = Path(f"/proc/self/task/{os.getpid()}/children").read_text()
    return {int(child) for child in listed.split()}


def broken_off(before: set[int]) -> None:
    with Beside(Sums().take, Sums().finish, 2, 100) as beside:
        give_ten(beside)
        assert len(children() - before) == 1
        raise KeyError("the recording is damaged")


def test_it_does_not_stay_behind_when_reading_fails() -> None:
    before = children()
    with pytest.raises(KeyError):
        broken_off(before)
    assert children() == before
