"""Small files change whole, names are never taken from others, errors speak to people."""

from __future__ import annotations

import errno
import hashlib
import os
import tracemalloc
from pathlib import Path

import pytest

from sidekeep.errors import MachineFault, Unusable
from sidekeep.storage.durable import (
    fsync_folder,
    read_at_most,
    rename_noreplace,
    sha256_from_disk,
    sha256_of,
    write_atomically,
)
from sidekeep.storage.faults import faults
from sidekeep.storage.filehash import FileHashes
from sidekeep.storage.order import ORDER_NAME, Order, read_order, write_order
from storage.breaking_calls import Breaker, Crash, breaking


@pytest.mark.parametrize("after", [False, True])
def test_a_crash_leaves_the_old_or_the_new_content(tmp_path: Path, after: bool) -> None:
    path = tmp_path / "state.json"
    at, broken = 0, True
    while broken:
        at += 1
        path.write_bytes(b"old" * 1000)
        breaker = Breaker(at, after=after)
        try:
            with breaking(breaker):
                write_atomically(path, b"new" * 2000)
        except Crash:
            pass
        broken = breaker.broken
        assert path.read_bytes() in {b"old" * 1000, b"new" * 2000}
        write_atomically(path, b"again", mode=0o444)
        assert path.read_bytes() == b"again"
        assert [entry.name for entry in tmp_path.iterdir()] == ["state.json"]
    assert at > 3


def test_a_failed_write_leaves_the_old_content_and_no_rest(tmp_path: Path) -> None:
    path = tmp_path / "state.json"
    path.write_bytes(b"old")
    with breaking(Breaker(2, errno.ENOSPC)), pytest.raises(OSError, match="No space"):
        write_atomically(path, b"new")
    assert path.read_bytes() == b"old"
    assert [entry.name for entry in tmp_path.iterdir()] == ["state.json"]


def test_a_planted_link_is_not_written_through(tmp_path: Path) -> None:
    (tmp_path / "victim").write_bytes(b"precious")
    (tmp_path / ".state.json.tmp").symlink_to(tmp_path / "victim")
    write_atomically(tmp_path / "state.json", b"new")
    assert (tmp_path / "victim").read_bytes() == b"precious"


@pytest.mark.parametrize("with_renameat2", [True, False])
def test_renaming_replaces_nothing(tmp_path: Path, with_renameat2: bool) -> None:
    (tmp_path / "a").write_bytes(b"a")
    (tmp_path / "b").write_bytes(b"b")
    (tmp_path / "folder").mkdir()
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "x").write_bytes(b"x")
    with breaking(Breaker(0), with_renameat2=with_renameat2):
        for source, target in (("a", "b"), ("folder", "other"), ("folder", "a"), ("a", "other")):
            with pytest.raises(FileExistsError):
                rename_noreplace(tmp_path / source, tmp_path / target)
        rename_noreplace(tmp_path / "a", tmp_path / "c")
        rename_noreplace(tmp_path / "folder", tmp_path / "new")
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["b", "c", "new", "other"]
    assert (tmp_path / "b").read_bytes() == b"b"


def test_renaming_without_links_still_replaces_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_links(*_: object, **__: object) -> None:
        raise OSError(errno.EPERM, "no hard links here")

    (tmp_path / "a").write_bytes(b"a")
    (tmp_path / "b").write_bytes(b"b")
    with breaking(Breaker(0), with_renameat2=False):
        monkeypatch.setattr(os, "link", no_links)
        with pytest.raises(FileExistsError):
            rename_noreplace(tmp_path / "a", tmp_path / "b")
        rename_noreplace(tmp_path / "a", tmp_path / "c")
    assert (tmp_path / "c").read_bytes() == b"a"


def test_a_share_that_cannot_flush_folders_is_no_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail_with(number: int) -> None:
        def fail(_: int) -> None:
            raise OSError(number, os.strerror(number))

        monkeypatch.setattr(os, "fsync", fail)

    fail_with(errno.EINVAL)
    fsync_folder(tmp_path)
    fail_with(errno.EIO)
    with pytest.raises(OSError, match="Input/output"):
        fsync_folder(tmp_path)


def test_reading_at_most_so_much_takes_no_more_memory_than_there_is(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"0123456789")
    tracemalloc.start()
    try:
        with path.open("rb") as file:
            before, _ = tracemalloc.get_traced_memory()
            assert read_at_most(file, 32 << 20) == b"0123456789"
            _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak - before < 100_000
    with path.open("rb") as file:
        assert read_at_most(file, 4) == b"01234"


def test_hashes_are_sha_256(tmp_path: Path) -> None:
    data = os.urandom(3_000_001)
    path = tmp_path / "a"
    path.write_bytes(data)
    expected = hashlib.sha256(data).hexdigest()
    assert sha256_of(path) == sha256_from_disk(path) == expected
    assert FileHashes([path, path]).result() == (expected, expected)


@pytest.mark.parametrize("size", [0, 1, 4096, 1 << 20, (1 << 20) + 513])
def test_what_the_disk_holds_is_hashed_to_the_last_byte(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int
) -> None:
    """Past the system's memory, and where the file system cannot do that."""
    data = os.urandom(size)
    path = tmp_path / "a"
    path.write_bytes(data)
    expected = hashlib.sha256(data).hexdigest()
    assert sha256_from_disk(path) == expected
    plainly, asked = os.open, []

    def cannot(name: Path, flags: int, *more: int) -> int:
        asked.append(flags & os.O_DIRECT)
        if flags & os.O_DIRECT:
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
        return plainly(name, flags, *more)

    monkeypatch.setattr(os, "open", cannot)
    assert sha256_from_disk(path) == expected
    assert asked == [os.O_DIRECT, 0]


def test_hashing_a_missing_file_is_the_machines_fault(tmp_path: Path) -> None:
    with pytest.raises(MachineFault):
        FileHashes([tmp_path / "gone"]).result()


FAULTS = (
    *(errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.EIO, errno.ESTALE),
    *(errno.ENODEV, errno.ENOTCONN, errno.EACCES, errno.EXDEV),
)


@pytest.mark.parametrize("number", FAULTS, ids=errno.errorcode.get)
def test_machine_faults_name_path_cause_and_remedy(number: int) -> None:
    with pytest.raises(MachineFault) as fault, faults("writing", "/srv/music/a.flac"):
        raise OSError(number, os.strerror(number))
    assert fault.value.message.startswith("Writing /srv/music/a.flac failed: ")
    assert fault.value.message.endswith("It is tried again later.")
    assert fault.value.advice


# --- orders -----------------------------------------------------------------------------------------------


def test_an_order_is_read_as_it_was_written(tmp_path: Path) -> None:
    order = Order("j", "x/\udcff.wav", "x", ("recording/é.wav",), sheet="sheet/s.yaml", attempt=2)
    write_order(tmp_path, order)
    assert read_order(tmp_path) == order


@pytest.mark.parametrize("text", ["", "[]", "{", '{"job": 1}', '{"job":"j","parts":3}'])
def test_what_is_no_order_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / ORDER_NAME).write_text(text)
    with pytest.raises(Unusable, match="not an order"):
        read_order(tmp_path)
