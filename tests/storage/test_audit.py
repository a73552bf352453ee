"""The audit finds every change and no other, and tells rot from edits."""

from __future__ import annotations

import os
import random
from collections import Counter
from pathlib import Path

import pytest

from rotting import flip
from sidekeep.errors import Damaged, MachineFault
from sidekeep.storage.audit import Condition, audit
from sidekeep.storage.folders import MARKER, Root
from sidekeep.storage.manifest import FACTS_NAME, MANIFEST_NAME, Filed, read_lines, write_lines
from sidekeep.storage.publish import publish
from storage.jobs_on_disk import MASTER, put_in_work, seal

JOBS = 10
TRACKS = 19  # with the master 20 files a job: 200 in all, and a plan each


@pytest.fixture
def root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Root:
    monkeypatch.setattr(os, "fsync", lambda _: None)
    root = Root(tmp_path / "root")
    root.prepare()
    rng = random.Random(5)
    for number in range(JOBS):
        job, recording = f"2024-{number}", rng.randbytes(5000)
        put_in_work(root, job, recording)
        tracks = {f"music/{job}/{track:02d}.flac": rng.randbytes(700) for track in range(TRACKS)}
        seal(root, job, tracks, recording=recording)
        publish(root, job)
    return root


def found(root: Root) -> Counter[Condition]:
    return Counter(checked.condition for checked in audit(root))


def files(root: Root) -> list[Path]:
    return sorted(path for base in (root.music, root.masters) for path in base.rglob("*.*"))


def test_a_sound_archive_raises_no_alarm(root: Root) -> None:
    assert found(root) == {Condition.OK: JOBS * (TRACKS + 1 + 2)}  # and plan and manifest


def test_one_bit_in_each_of_200_files_is_found(root: Root) -> None:
    rng = random.Random(1)
    assert len(files(root)) == 200
    for path in files(root):
        flip(path, rng)
    conditions = found(root)
    assert conditions[Condition.ROTTEN] == 200
    assert conditions == {Condition.ROTTEN: 200, Condition.OK: 2 * JOBS}


@pytest.mark.parametrize("name", [MANIFEST_NAME, FACTS_NAME])
def test_one_bit_in_the_lists_themselves_is_found(root: Root, name: str) -> None:
    rng = random.Random(2)
    for folder in root.jobs.iterdir():
        flip(folder / name, rng)
    conditions = found(root)
    assert conditions[Condition.ROTTEN] == JOBS
    assert set(conditions) == {Condition.ROTTEN, Condition.OK}


def test_edits_losses_moves_and_strays_are_told_apart(root: Root) -> None:
    edited, grown, lost, moved = files(root)[:4]
    for path, data in ((edited, b"E" * 700), (grown, b"more" * 700)):
        path.chmod(0o644)
        path.write_bytes(data)
    lost.unlink()
    moved.rename(moved.with_name("renamed.flac"))
    (root.music / "stray.flac").write_bytes(b"x" * 700)
    (root.music / "link.flac").symlink_to("/etc/passwd")
    told = {c.path: c for c in audit(root) if c.condition is not Condition.OK}
    by_path = {path: checked.condition for path, checked in told.items()}
    relative = [path.relative_to(root.archive).as_posix() for path in (edited, grown, lost, moved)]
    assert by_path == {
        relative[0]: Condition.EDITED,
        relative[1]: Condition.EDITED,
        relative[2]: Condition.MISSING,
        relative[3]: Condition.MOVED,
        "music/stray.flac": Condition.UNLISTED,
        "music/link.flac": Condition.UNLISTED,
    }
    assert "renamed.flac" in told[relative[3]].detail
    assert "2,800 bytes instead of 5,000" in told[relative[1]].detail


def test_without_facts_the_manifest_alone_still_finds_changes(root: Root) -> None:
    (root.jobs / "2024-3" / FACTS_NAME).unlink()
    flip(root.music / "2024-3" / "00.flac", random.Random(1))
    told = {c.path: c.condition for c in audit(root, ["2024-3"]) if c.condition is not Condition.OK}
    assert told == {
        f"jobs/2024-3/{FACTS_NAME}": Condition.MISSING,
        "music/2024-3/00.flac": Condition.ROTTEN,
    }


def test_one_job_can_be_audited_alone(root: Root) -> None:
    checked = list(audit(root, ["2024-0"]))
    assert {c.job for c in checked} == {"2024-0"}
    assert MASTER in {c.path for c in checked}


def test_a_missing_mount_is_no_loss_of_files(root: Root) -> None:
    (root.archive / MARKER).unlink()
    with pytest.raises(MachineFault, match="not mounted"):
        list(audit(root))


# --- manifests --------------------------------------------------------------------------------------


def test_names_survive_the_escapes_of_coreutils() -> None:
    names = ["a", "b\\c", "d\ne", "f\rg", "\\n", " leading", "é", "\udcff raw byte", "x  y"]
    filed = [Filed(name, 1, 2, f"{number:064x}") for number, name in enumerate(names)]
    assert read_lines(write_lines(filed)) == {file.path: file.sha256 for file in filed}


@pytest.mark.parametrize("text", [b"nonsense", b"0" * 63 + b"  a\n", (b"0" * 64 + b"  a\n") * 2])
def test_a_spoilt_manifest_is_refused(text: bytes) -> None:
    with pytest.raises(Damaged, match="manifest"):
        read_lines(text)
