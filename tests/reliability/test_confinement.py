"""A worker that was tricked can spoil its own job and nothing else."""

from __future__ import annotations

import json
import socket
from pathlib import Path

import pytest

from sidekeep.service.executor import Call, run_worker
from sidekeep.service.limits import MIB, Limits
from sidekeep.storage import landlock
from sidekeep.storage.folders import Root
from sidekeep.storage.order import Order, write_order
from sidekeep.storage.stage import Stage

LIMITS = Limits(memory_bytes=4 << 30, wall_s=120.0, cpu_s=60, file_bytes=MIB)
JOB = "20260101-a"
ALLOWED = {
    "read its recording",
    "write into its job",
    "rename in its job",
    "remove in its job",
    "write into its stage",
    "make folders in its stage",
    "list the archive",
    "flush the folder of stages",
    "read its rule sets",
    "import a library",
}

needs_landlock = pytest.mark.skipif(landlock.version() < 6, reason="the kernel's Landlock is older")


@pytest.fixture
def root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Root:
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parents[1]))
    root = Root(tmp_path / "root")
    root.prepare()
    for job, name in ((JOB, "A.wav"), ("other", "B.wav")):
        (root.work / job / "recording").mkdir(parents=True)
        (root.work / job / "recording" / name).write_bytes(b"groove")
        write_order(root.work / job, Order(job, name, "", (f"recording/{name}",)))
    (root.masters / "old.wav").write_bytes(b"old")
    (root.music / "old.flac").write_bytes(b"old")
    (root.incoming / "other").mkdir()
    (root.state / "cache").mkdir()
    (root.state / "ledger.db").write_bytes(b"ledger")
    (root.path / "rules").mkdir()
    (root.path / "rules" / "own.yaml").write_text("extends: default\n")
    return root


def said_by(root: Root, worker: str = "reliability.curious_worker") -> dict[str, str]:
    with socket.create_server(("127.0.0.1", 0)) as server:
        (root.work / JOB / "port").write_text(str(server.getsockname()[1]))
        call = Call(str(root.path), JOB, LIMITS, str(root.path / "rules"), "", worker)
        ending = run_worker(call)
    assert ending.well, ending
    told: dict[str, str] = json.loads((root.work / JOB / "said.json").read_text())
    return told


@needs_landlock
def test_a_worker_reaches_its_job_and_its_stage_and_nothing_else(root: Root) -> None:
    said = said_by(root)
    assert {name for name, answer in said.items() if answer == "done"} == ALLOWED
    refusals = {answer for name, answer in said.items() if name not in ALLOWED}
    assert refusals <= {
        "Permission denied",
        "Operation not permitted",
        "Invalid cross-device link",
    }


def test_without_landlock_a_worker_works_all_the_same(
    root: Root, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    old = tmp_path / "old"  # an older kernel, for the child as well
    old.mkdir()
    (old / "sitecustomize.py").write_text(
        "from sidekeep.storage import landlock\nlandlock.version = lambda: 0\n"
    )
    monkeypatch.setenv("PYTHONPATH", f"{old}:{Path(__file__).parents[1]}")
    said = said_by(root)
    assert {name for name, answer in said.items() if answer == "done"} >= ALLOWED
    assert said["read another job's recording"] == "done"


@needs_landlock
def test_an_order_that_names_another_folder_opens_nothing(root: Root) -> None:
    order = Order(JOB, "A.wav", "", ("recording/A.wav",), supersedes="../../state")
    write_order(root.work / JOB, order)
    assert said_by(root)["read the ledger"] == "Permission denied"


def test_opening_a_stage_keeps_its_folder_and_removes_what_was_in_it(root: Root) -> None:
    stage = Stage(root, JOB)
    stage.open()
    inode = stage.folder.stat().st_ino
    (stage.folder / "music" / "left").mkdir()
    (stage.folder / "left").write_text("x")
    Stage(root, JOB).open()
    assert stage.folder.stat().st_ino == inode
    assert sorted(path.name for path in stage.folder.iterdir()) == ["jobs", "music"]
    assert not list((stage.folder / "music").iterdir())
