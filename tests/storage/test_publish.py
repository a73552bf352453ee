"""Publishing is all or nothing, whatever interrupts it, and replaces nothing."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from sidekeep.errors import Damaged, MachineFault, Refused
from sidekeep.storage.folders import Root
from sidekeep.storage.manifest import MANIFEST_NAME
from sidekeep.storage.publication import PUBLICATION_NAME
from sidekeep.storage.publish import publish, recover
from sidekeep.storage.stage import Master, discard
from sidekeep.storage.superseding import earlier_result
from storage.breaking_calls import Breaker, Crash, breaking
from storage.jobs_on_disk import (
    MASTER,
    RECORDING,
    TRACKS,
    places_of,
    put_in_work,
    seal,
    sha256,
    tree,
)

JOB = "20240101-club-a"
ERRORS = (errno.ENOSPC, errno.EIO, errno.EROFS, errno.EDQUOT)


@pytest.fixture(autouse=True)
def _no_power_cuts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only processes die here, so flushing to the disk, which is slow, may do nothing."""
    monkeypatch.setattr(os, "fsync", lambda _: None)


@pytest.fixture
def in_memory(tmp_path: Path) -> Iterator[Path]:
    """A folder in memory where there is one: hundreds of small trees are made and removed."""
    memory = Path("/dev/shm")
    if not os.access(memory, os.W_OK):
        yield tmp_path
        return
    with tempfile.TemporaryDirectory(dir=memory, prefix="sidekeep-test-") as folder:
        yield Path(folder)


@pytest.fixture
def root(tmp_path: Path) -> Root:
    root = Root(tmp_path / "root")
    root.prepare()
    return root


def run(root: Root) -> None:
    seal(root, JOB)
    publish(root, JOB)


def test_a_published_job_lies_complete_in_the_archive(root: Root) -> None:
    put_in_work(root, JOB)
    seal(root, JOB)
    published = publish(root, JOB)
    assert published.tracks == tuple(TRACKS)
    assert published.masters == (MASTER,)
    for path, data in TRACKS.items():
        assert (root.archive / path).read_bytes() == data
        assert (root.archive / path).stat().st_mode & 0o777 == 0o444
    assert (root.archive / MASTER).read_bytes() == RECORDING
    assert places_of(root, RECORDING) == [f"archive/{MASTER}"]
    assert not list(root.work.glob("2*"))
    assert not list(root.incoming.iterdir())


def test_coreutils_accept_the_manifest(root: Root) -> None:
    put_in_work(root, JOB)
    odd = {"music/back\\slash/new\nline é.flac": b"x", "music/cr\rhere.flac": b"y"}
    seal(root, JOB, tracks=odd)
    publish(root, JOB)
    check = subprocess.run(
        ["sha256sum", "-c", "--strict", f"jobs/{JOB}/{MANIFEST_NAME}"],
        cwd=root.archive,
        capture_output=True,
        text=True,
        check=False,
    )
    assert check.returncode == 0, check.stdout + check.stderr
    assert check.stdout.count(": OK") == len(odd) + 2  # and master and plan


def test_an_unsealed_stage_is_not_published(root: Root) -> None:
    put_in_work(root, JOB)
    (root.incoming / JOB).mkdir()
    with pytest.raises(Damaged):
        publish(root, JOB)
    assert recover(root)[0].done == "discarded"
    assert places_of(root, RECORDING) == [f"work/{JOB}/recording/A.wav"]


def test_a_sealed_stage_is_not_discarded(root: Root) -> None:
    put_in_work(root, JOB)
    seal(root, JOB)
    with pytest.raises(Refused):
        discard(root, JOB)


def test_a_recording_that_changed_since_it_was_measured_is_not_sealed(root: Root) -> None:
    put_in_work(root, JOB)
    with pytest.raises(MachineFault, match="other content"):
        seal(root, JOB, recording=b"what was measured")


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (f"work/{JOB}/recording/A.wav", "work/other/recording/A.wav"),
        (f"work/{JOB}/recording/A.wav", "/etc/passwd"),
        (MASTER, "masters/../../outside.wav"),
        (MASTER, "jobs/x/A.wav"),
        (f'"job": "{JOB}"', '"job": "../x"'),
        ('"supersedes": null', '"supersedes": "../../x"'),
        ('"leaving": []', '"leaving": ["masters/theirs.wav"]'),
        ('"moves": [', '"moves": [7, '),
    ],
)
def test_a_stage_that_leads_elsewhere_is_not_published(root: Root, old: str, new: str) -> None:
    """The worker that wrote it decodes what anybody may drop."""
    put_in_work(root, JOB)
    seal(root, JOB)
    path = root.incoming / JOB / PUBLICATION_NAME
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    before = tree(root)
    with pytest.raises(Damaged):
        publish(root, JOB)
    assert tree(root) == before
    assert [each.done for each in recover(root)] == ["stuck"]


def test_a_link_in_a_stage_is_not_published(root: Root, tmp_path: Path) -> None:
    put_in_work(root, JOB)
    paths = seal(root, JOB)
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside" / "A1 Ebb.flac").write_bytes(b"not the job's")
    folder = (root.incoming / JOB / paths[0]).parent
    folder.rename(tmp_path / "aside")
    folder.symlink_to(tmp_path / "outside")
    with pytest.raises(Damaged, match="link"):
        publish(root, JOB)
    assert (tmp_path / "outside" / "A1 Ebb.flac").exists()
    (root.incoming / "stray file").write_bytes(b"x")
    assert [each.done for each in recover(root)] == ["stuck"]


# --- crashes ---------------------------------------------------------------------------------------


def _undisturbed(in_memory: Path) -> dict[str, str]:
    root = Root(in_memory / "undisturbed")
    root.prepare()
    put_in_work(root, JOB)
    run(root)
    return tree(root)


@pytest.mark.parametrize("after", [False, True])
@pytest.mark.parametrize("with_renameat2", [True, False])
def test_a_crash_at_any_call_is_recovered_to_the_same_archive(
    in_memory: Path, after: bool, with_renameat2: bool
) -> None:
    expected = _undisturbed(in_memory)
    at, broken = 0, True
    while broken:
        at += 1
        root = Root(in_memory / "crashed")
        root.prepare()
        put_in_work(root, JOB)
        breaker = Breaker(at, after=after)
        try:
            with breaking(breaker, with_renameat2=with_renameat2):
                run(root)
        except Crash:
            pass
        broken = breaker.broken
        assert len(places_of(root, RECORDING)) == 1
        again = Breaker(1 + at % 7)  # and once more while recovering
        try:
            with breaking(again, with_renameat2=with_renameat2):
                recover(root)
        except Crash:
            pass
        recover(root)
        if (root.work / JOB).exists():
            run(root)
        assert tree(root) == expected, f"crash at call {at}"
        assert recover(root) == []
        shutil.rmtree(root.path)
    assert at > 40


@pytest.mark.parametrize("error", ERRORS, ids=errno.errorcode.get)
def test_an_error_at_any_call_loses_nothing_and_is_made_good_later(
    in_memory: Path, error: int
) -> None:
    expected = _undisturbed(in_memory)
    at, broken = 0, True
    while broken:
        at += 1
        root = Root(in_memory / "failed")
        root.prepare()
        put_in_work(root, JOB)
        breaker = Breaker(at, error)
        failed = False
        try:
            with breaking(breaker):
                run(root)
        except MachineFault as fault:
            failed = str(root.path) in fault.message
        broken = breaker.broken
        assert len(places_of(root, RECORDING)) == 1
        assert (
            failed == broken or tree(root) == expected
        )  # a failed tidying of temporaries may pass
        if failed:
            recover(root)
            if (root.work / JOB).exists():
                run(root)
        assert tree(root) == expected, f"error at call {at}"
        shutil.rmtree(root.path)
    assert at > 40


# --- clashes ---------------------------------------------------------------------------------------


def test_a_job_is_filed_although_its_stage_cannot_be_removed(
    root: Root, monkeypatch: pytest.MonkeyPatch
) -> None:
    put_in_work(root, JOB)
    seal(root, JOB)
    real = os.rmdir

    def rmdir(path: str, **more: int) -> None:
        if path == "music":
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        real(path, **more)

    with monkeypatch.context() as patch:
        patch.setattr(os, "rmdir", rmdir)
        assert publish(root, JOB).job == JOB
    assert (root.incoming / JOB).is_dir()
    assert [each.done for each in recover(root)] == ["tidied"]
    assert not (root.incoming / JOB).exists()


def test_an_existing_file_is_never_replaced(root: Root) -> None:
    taken = root.archive / "music/Marlow/Low Water/a1 EBB.flac"
    taken.parent.mkdir(parents=True)
    taken.write_bytes(b"somebody's")
    put_in_work(root, JOB)
    paths = seal(root, JOB)
    publish(root, JOB)
    assert paths[0] == "music/Marlow/Low Water/A1 Ebb (2).flac"
    assert taken.read_bytes() == b"somebody's"
    assert (root.archive / paths[0]).read_bytes() == TRACKS["music/Marlow/Low Water/A1 Ebb.flac"]


def test_an_existing_folder_lends_its_spelling(root: Root) -> None:
    (root.music / "MARLOW" / "Low water").mkdir(parents=True)
    put_in_work(root, JOB)
    assert seal(root, JOB)[0] == "music/MARLOW/Low water/A1 Ebb.flac"


def test_composed_and_decomposed_names_clash(root: Root) -> None:
    (root.music / "Cafe\u0301.flac").write_bytes(b"somebody's")
    put_in_work(root, JOB)
    assert seal(root, JOB, {"music/Café.flac": b"ours"}) == ("music/Café (2).flac",)


def test_a_name_taken_between_sealing_and_publishing_gets_a_number(root: Root) -> None:
    put_in_work(root, JOB)
    wanted = seal(root, JOB)
    (root.archive / wanted[0]).parent.mkdir(parents=True)
    (root.archive / wanted[0]).write_bytes(b"somebody's")
    published = publish(root, JOB)
    assert published.tracks[0] == "music/Marlow/Low Water/A1 Ebb (2).flac"
    assert (root.archive / wanted[0]).read_bytes() == b"somebody's"
    manifest = (root.jobs / JOB / MANIFEST_NAME).read_text()
    assert "A1 Ebb (2).flac" in manifest
    assert "A1 Ebb.flac" not in manifest


def test_a_file_in_the_way_of_a_folder_is_gone_around(root: Root) -> None:
    (root.music / "Marlow").write_bytes(b"a file")
    put_in_work(root, JOB)
    assert seal(root, JOB)[0] == "music/Marlow (2)/Low Water/A1 Ebb.flac"


# --- superseding ------------------------------------------------------------------------------------

LATER = "20240102-club-a"
RETAGGED = {
    "music/Marlow/Low Water/A1 Ebb.flac": b"better",
    "music/Marlow/High Water/A2.flac": b"2",
}


def supersede(root: Root) -> None:
    (root.work / LATER).mkdir(exist_ok=True)
    kept = tuple(
        Master(f"archive/{m.path}", m.path, m.sha256) for m in earlier_result(root, JOB).masters
    )
    seal(root, LATER, RETAGGED, masters=kept, supersedes=JOB)
    publish(root, LATER)


def test_a_later_job_takes_the_place_of_an_earlier_one(root: Root) -> None:
    put_in_work(root, JOB)
    run(root)
    supersede(root)
    assert (root.archive / "music/Marlow/Low Water/A1 Ebb.flac").read_bytes() == b"better"
    assert not (root.archive / "music/Marlow/Low Water/A2.flac").exists()
    assert (root.archive / MASTER).read_bytes() == RECORDING
    assert [path.name for path in root.jobs.iterdir()] == [LATER]
    assert (root.jobs / LATER / "earlier" / JOB / "plan.yaml").exists()
    assert sha256(RECORDING) in (root.jobs / LATER / MANIFEST_NAME).read_text()
    assert not list(root.incoming.iterdir())


def test_folders_left_empty_by_the_earlier_job_go(root: Root) -> None:
    put_in_work(root, JOB)
    seal(root, JOB, {"music/Misspelt/A1.flac": b"1"})
    publish(root, JOB)
    supersede(root)
    assert [path.name for path in root.music.iterdir()] == ["Marlow"]


def test_a_track_that_a_person_changed_stays(root: Root) -> None:
    put_in_work(root, JOB)
    run(root)
    edited = root.archive / "music/Marlow/Low Water/A1 Ebb.flac"
    edited.chmod(0o644)
    edited.write_bytes(b"tagged by hand")
    supersede(root)
    assert edited.read_bytes() == b"tagged by hand"
    assert edited.with_name("A1 Ebb (2).flac").read_bytes() == b"better"


@pytest.mark.parametrize("after", [False, True])
def test_a_crash_while_superseding_is_recovered(in_memory: Path, after: bool) -> None:
    expected = None
    at, broken = 0, True
    while broken:
        root = Root(in_memory / "crashed")
        root.prepare()
        put_in_work(root, JOB)
        run(root)
        (root.work / LATER).mkdir()
        breaker = Breaker(at, after=after)
        try:
            with breaking(breaker):
                supersede(root)
        except Crash:
            pass
        broken = breaker.broken or at == 0
        recover(root)
        if (root.work / LATER).exists():
            supersede(root)
        assert recover(root) == []
        expected = expected or tree(root)
        assert tree(root) == expected, f"crash at call {at}"
        assert places_of(root, RECORDING) == [f"archive/{MASTER}"]
        shutil.rmtree(root.path)
        at += 1
    assert at > 40


def test_superseding_an_unknown_job_is_refused(root: Root) -> None:
    with pytest.raises(Refused, match="no filed job"):
        seal(root, LATER, supersedes="20200101-never")


def test_a_recording_left_in_work_is_never_deleted(root: Root) -> None:
    put_in_work(root, JOB)
    seal(root, JOB)
    (root.work / JOB / "recording" / "B.wav").write_bytes(b"another side")
    with pytest.raises(MachineFault, match="never deleted"):
        publish(root, JOB)
    assert (root.work / JOB / "recording" / "B.wav").read_bytes() == b"another side"
    assert os.path.lexists(root.jobs / JOB)
