"""An open writer is seen where the file system can tell."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from sidekeep.storage.lease import is_open_for_writing


def test_a_writer_is_seen_until_it_closes(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    with path.open("wb"):
        assert is_open_for_writing(path) is True
    assert is_open_for_writing(path) is False


def test_a_reader_is_no_writer(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(b"x")
    with path.open("rb"):
        assert is_open_for_writing(path) is False


def test_a_file_of_another_user_cannot_be_known(tmp_path: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("needs root to change users")
    path = tmp_path / "a.wav"
    path.write_bytes(b"x")
    path.chmod(0o644)
    for folder in (tmp_path, *tmp_path.parents[:3]):
        if folder.stat().st_uid == 0 and folder.is_relative_to("/tmp"):
            folder.chmod(0o755) if folder != Path("/tmp") else None
    child = os.fork()
    if child == 0:
        os.setgid(65534)
        os.setuid(65534)
        os._exit(0 if is_open_for_writing(path) is None else 1)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


def test_links_are_not_followed_and_pipes_not_waited_for(tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(tmp_path / "a.wav")
    with pytest.raises(OSError, match="symbolic"):
        is_open_for_writing(tmp_path / "link")
    os.mkfifo(tmp_path / "pipe")
    assert is_open_for_writing(tmp_path / "pipe") in {None, False}
