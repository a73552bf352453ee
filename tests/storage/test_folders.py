"""The folders are made once; later a missing one means a missing mount, never an empty start."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from sidekeep.errors import MachineFault
from sidekeep.storage.folders import MARKER, Root


def test_folders_are_made_on_first_use(tmp_path: Path) -> None:
    root = Root(tmp_path / "root")
    root.prepare()
    for folder in (root.inbox, root.work, root.held, root.quarantine, root.masters, root.incoming):
        assert folder.is_dir()
    root.prepare()
    root.check()


def test_what_is_there_already_is_kept(tmp_path: Path) -> None:
    (tmp_path / "root" / "inbox").mkdir(parents=True)
    (tmp_path / "root" / "inbox" / "A.wav").write_bytes(b"x")
    Root(tmp_path / "root").prepare()
    assert (tmp_path / "root" / "inbox" / "A.wav").read_bytes() == b"x"


@pytest.mark.parametrize("name", ["inbox", "archive", "work", "held", "quarantine"])
def test_an_empty_folder_in_place_of_a_mount_is_noticed(tmp_path: Path, name: str) -> None:
    root = Root(tmp_path / "root")
    root.prepare()
    shutil.rmtree(root.path / name)
    (root.path / name).mkdir()
    for ask in (root.check, root.prepare):
        with pytest.raises(MachineFault) as fault:
            ask()
        assert str(root.path / name) in fault.value.message
        assert "mounted" in fault.value.message
        assert "Mount" in fault.value.advice
    assert list((root.path / name).iterdir()) == []
    (root.path / name / MARKER).touch()  # the advice works
    root.prepare()


def test_a_root_whose_own_parent_is_missing_is_not_made(tmp_path: Path) -> None:
    with pytest.raises(MachineFault, match="not there"):
        Root(tmp_path / "away" / "root").prepare()
    assert not (tmp_path / "away").exists()


def test_an_interrupted_first_use_is_finished(tmp_path: Path) -> None:
    root = Root(tmp_path / "root")
    root.prepare()
    (root.state / MARKER).unlink()
    (root.quarantine / MARKER).unlink()
    root.prepare()
    root.check()
