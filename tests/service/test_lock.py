"""One service per root."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from sidekeep.errors import Refused
from sidekeep.service.lock import RootLock


def test_a_second_one_is_refused_and_told_who_holds_it(tmp_path: Path) -> None:
    with RootLock(tmp_path / "lock"), pytest.raises(Refused, match=str(os.getpid())):
        RootLock(tmp_path / "lock")


def test_the_lock_is_free_again_after_release(tmp_path: Path) -> None:
    RootLock(tmp_path / "lock").release()
    RootLock(tmp_path / "lock").release()


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
