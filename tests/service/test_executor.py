"""Real child processes with real limits; each test waits only for something to happen."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from sidekeep.service import launch
from sidekeep.service.executor import ERRORS_NAME, Call, ChildProcesses, run_worker
from sidekeep.service.limits import MIB, Limits, limits_for, space_needed_bytes

LIMITS = Limits(memory_bytes=2 << 30, wall_s=60.0, cpu_s=60, file_bytes=MIB, open_files=40)
Order = Callable[[str], Call]


@pytest.fixture
def order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Order:
    """Make a job whose worker does what `script` says."""
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parents[1]))
    monkeypatch.setenv("NOTIFY_SOCKET", "/somewhere")

    def made(script: str) -> Call:
        folder = tmp_path / "work" / "job"
        folder.mkdir(parents=True)
        (folder / "script").write_text(script)
        return Call(str(tmp_path), "job", LIMITS, "/rules", "/cache", "scripted_worker")

    return made


def folder_of(call: Call) -> Path:
    return Path(call.root, "work", call.job)


def wait_for(path: Path) -> str:
    """Wait until another process has written the file."""
    for _ in range(2000):
        if path.exists() and path.read_text():
            return path.read_text()
        time.sleep(0.01)
    raise AssertionError(f"{path} did not appear")


def is_alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return "Z" not in Path(f"/proc/{process}/stat").read_text().split()[2]


def test_a_worker_has_its_limits_and_its_environment(order: Order) -> None:
    call = order("say")
    assert run_worker(call).well
    said = json.loads((folder_of(call) / "said").read_text())
    assert said["limits"] == {
        "memory": [2 << 30, 2 << 30],
        "cpu": [60, 60],
        "file": [MIB, MIB],
        "files": [40, 40],
        "core": [0, 0],
    }
    assert said["environment"]["SIDEKEEP_RULES"] == "/rules"
    assert said["environment"]["MPLCONFIGDIR"] == "/cache"
    assert "NOTIFY_SOCKET" not in said["environment"]


def test_a_worker_that_says_nothing_leaves_no_file(order: Order) -> None:
    call = order("say")
    run_worker(call)
    assert not (folder_of(call) / ERRORS_NAME).exists()


def test_an_exit_code_and_the_last_words_are_told(order: Order) -> None:
    call = order("3 something broke")
    ending = run_worker(call)
    assert not ending.well
    assert str(ending) == "the worker ended with code 3 (3 something broke)"
    assert (folder_of(call) / ERRORS_NAME).read_text() == "3 something broke\n"


@pytest.mark.parametrize("name", ["SIGSEGV", "SIGABRT", "SIGKILL"])
def test_a_crash_is_told_by_its_signal(order: Order, name: str) -> None:
    ending = run_worker(order(name))
    assert ending.signal == name
    assert str(ending) == f"the worker was ended by {name}"


def test_memory_beyond_the_limit_is_refused(order: Order) -> None:
    ending = run_worker(order("eat"))
    assert ending.code == 1
    assert "MemoryError" in str(ending)


def test_a_file_beyond_the_limit_is_cut_short(order: Order) -> None:
    call = order("fill")
    assert not run_worker(call).well
    assert (folder_of(call) / "large").stat().st_size == MIB


def test_computing_beyond_the_limit_is_ended(order: Order) -> None:
    call = order("burn")
    ending = run_worker(replace(call, limits=replace(LIMITS, cpu_s=1)))
    assert ending.signal in {"SIGXCPU", "SIGKILL"}


def test_a_worker_that_hangs_is_ended_with_all_its_children(order: Order) -> None:
    call = order("child")
    ending = run_worker(replace(call, limits=replace(LIMITS, wall_s=1.0)))
    assert ending.timed_out
    assert "time limit" in str(ending)
    grandchild = int(wait_for(folder_of(call) / "pid"))
    for _ in range(200):
        if not is_alive(grandchild):
            return
        time.sleep(0.01)
    raise AssertionError("the worker's child lives on")


def test_a_second_worker_for_the_same_job_is_turned_away(order: Order) -> None:
    call = order("hang")
    with ChildProcesses(1) as executor:
        first = executor.submit(run_worker, call)
        wait_for(folder_of(call) / "pid")
        assert run_worker(call).code == launch.STILL_HELD
        executor.shutdown(cancel_futures=True)
        assert first.result().abandoned


def test_shutting_down_ends_the_workers_at_once(order: Order) -> None:
    call = order("hang")
    executor = ChildProcesses(1)
    running = executor.submit(run_worker, call)
    waiting = executor.submit(run_worker, call)
    process = int(wait_for(folder_of(call) / "pid"))
    began = time.monotonic()
    executor.shutdown(cancel_futures=True)
    assert time.monotonic() - began < 5.0
    assert running.result().abandoned
    assert waiting.cancelled()
    assert not is_alive(process)


def test_a_worker_dies_with_its_parent(order: Order) -> None:
    call = order("hang")
    code = (
        "import sys; sys.path.insert(0, sys.argv[3])\n"
        "from sidekeep.service.executor import Call, run_worker\n"
        "from sidekeep.service.limits import Limits\n"
        "limits = Limits(2 << 30, 60.0, 60, 1 << 20)\n"
        "run_worker(Call(sys.argv[1], sys.argv[2], limits, worker='scripted_worker'))"
    )
    parent = subprocess.Popen([sys.executable, "-c", code, call.root, call.job, "."])
    worker = int(wait_for(folder_of(call) / "pid"))
    parent.kill()
    parent.wait()
    for _ in range(500):
        if not is_alive(worker):
            return
        time.sleep(0.01)
    raise AssertionError("the worker outlives its parent")


def test_limits_grow_with_the_recording() -> None:
    small, large = limits_for(1000, 5 << 30, 2), limits_for(20_000_000_000, 5 << 30, 2)
    assert small.wall_s == 300.0
    assert small.file_bytes == 256 * MIB
    assert large.wall_s == pytest.approx(3815, abs=1)
    assert large.cpu_s == int(large.wall_s * 2)
    assert large.file_bytes == 160_000_000_000
    assert limits_for(1000, 5 << 30, 2, longest_s=77.0).wall_s == 77.0


def test_a_job_needs_two_and_a_half_times_its_size_and_five_percent() -> None:
    assert space_needed_bytes(1_000_000) == 2_625_000
