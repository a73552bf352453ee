"""One service per root."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from sidekeep.errors import MachineFault, Refused
from sidekeep.service.lock import RootLock


def test_a_second_one_is_refused_and_told_who_holds_it(tmp_path: Path) -> None:
    with RootLock(tmp_path / "lock"), pytest.raises(Refused, match=str(os.getpid())):
        RootLock(tmp_path / "lock")


def test_the_lock_is_free_again_after_release(tmp_path: Path) -> None:
    RootLock(tmp_path / "lock").release()
    RootLock(tmp_path / "lock").release()


def test_a_full_disk_does_not_keep_the_lock_from_being_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as disk:
        disk.setattr(os, "write", full)
        lock = RootLock(tmp_path / "lock")
    with pytest.raises(Refused, match="unknown"):
        RootLock(tmp_path / "lock")
    lock.release()


def test_a_lock_that_cannot_be_opened_is_a_fault_of_the_machine(tmp_path: Path) -> None:
    with pytest.raises(MachineFault, match="lock"):
        RootLock(tmp_path / "away" / "lock")


def test_the_lock_is_free_after_its_holder_was_killed(tmp_path: Path) -> None:
    code = (
        "import sys, pathlib\nfrom sidekeep.service.lock import RootLock\n"
        "RootLock(pathlib.Path(sys.argv[1])); print('held', flush=True); sys.stdin.read()"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path / "lock")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert holder.stdout is not None
    assert holder.stdin is not None
    assert holder.stdout.readline() == b"held\n"
    with pytest.raises(Refused, match=str(holder.pid)):
        RootLock(tmp_path / "lock")
    holder.send_signal(signal.SIGKILL)
    holder.wait()
    holder.stdin.close()
    holder.stdout.close()
    RootLock(tmp_path / "lock").release()
