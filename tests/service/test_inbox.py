"""Looking at the inbox: what is taken, what is refused, what is none of ours."""

from __future__ import annotations

import os
import socket
import time
from pathlib import Path
from typing import Any

import pytest

from sidekeep.service.inbox import DEEPEST, look
from sidekeep.service.names import Kind, is_junk_folder, kind_of


def touch(path: Path, content: bytes = b"x") -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    return path


def test_recordings_sheets_and_covers_are_found_in_all_folders(tmp_path: Path) -> None:
    for name in ("A.wav", "club/night/B.FLAC", "club/record.yaml", "club/cover.jpg"):
        touch(tmp_path / name)
    scan = look(tmp_path)
    assert [(seen.path, seen.kind) for seen in scan.files] == [
        ("A.wav", Kind.RECORDING),
        ("club/cover.jpg", Kind.COVER),
        ("club/night/B.FLAC", Kind.RECORDING),
        ("club/record.yaml", Kind.SHEET),
    ]
    assert scan.files[2].folder == "club/night"
    assert scan.files[2].stem == "B"
    assert scan.complete


def test_the_stamp_is_that_of_the_file(tmp_path: Path) -> None:
    path = touch(tmp_path / "A.wav", b"12345")
    os.utime(path, ns=(7, 1_000_000_007))
    stamp = look(tmp_path).files[0].stamp
    status = path.stat()
    assert (stamp.device, stamp.inode) == (status.st_dev, status.st_ino)
    assert (stamp.size, stamp.mtime_ns) == (5, 1_000_000_007)


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("side.wav", Kind.RECORDING),
        ("side.AIFF", Kind.RECORDING),
        ("side.w64", Kind.RECORDING),
        ("side.mp3", Kind.RECORDING),  # lossy: taken, then refused with a reason
        ("record.yml", Kind.SHEET),
        ("front.PNG", Kind.COVER),
        ("side.wav.part", Kind.TRANSFER),
        ("side.wav.filepart", Kind.TRANSFER),
        ("side.wav.crdownload", Kind.TRANSFER),
        ("side.wav~", Kind.TRANSFER),
        ("side.wav.!qB", Kind.TRANSFER),
        (".side.wav.Xa03Zq", Kind.TRANSFER),
        (".syncthing.side.wav.tmp", Kind.TRANSFER),
        ("._side.wav", Kind.JUNK),
        (".DS_Store", Kind.JUNK),
        ("Thumbs.db", Kind.JUNK),
        (".sidekeep", Kind.JUNK),
        ("notes.txt", Kind.OTHER),
        ("side", Kind.OTHER),
        ("partial.wav", Kind.RECORDING),
        ("side.part.wav", Kind.RECORDING),
    ],
)
def test_a_name_tells_what_a_file_is_to_us(name: str, kind: Kind) -> None:
    assert kind_of(name) is kind


def test_folders_of_file_managers_are_not_entered(tmp_path: Path) -> None:
    for folder in ("@eaDir", ".stversions", ".@__thumb", "lost+found", "$RECYCLE.BIN", "#recycle"):
        assert is_junk_folder(folder)
        touch(tmp_path / folder / "A.wav")
    assert look(tmp_path).files == []
    assert not is_junk_folder("recycle")


def test_a_transfer_marks_its_folder(tmp_path: Path) -> None:
    touch(tmp_path / "album/A.wav")
    touch(tmp_path / "album/B.wav.part")
    scan = look(tmp_path)
    assert scan.transfers == {"album"}
    assert [seen.path for seen in scan.files] == ["album/A.wav"]


def test_other_files_are_counted_with_an_example(tmp_path: Path) -> None:
    touch(tmp_path / "letters/first.txt")
    touch(tmp_path / "letters/second.txt")
    scan = look(tmp_path)
    assert scan.ignored == 2
    assert scan.ignored_example.startswith("letters/")


def test_links_pipes_and_sockets_are_refused_and_never_opened(tmp_path: Path) -> None:
    inbox = tmp_path / "inbox"
    outside = touch(tmp_path / "outside.wav")
    touch(inbox / "A.wav")
    (inbox / "link.wav").symlink_to(outside)
    (inbox / "folder").mkdir()
    (inbox / "away").symlink_to(tmp_path)
    os.link(outside, inbox / "hard.wav")
    os.mkfifo(inbox / "pipe.wav")  # opening this one would block for ever
    plug = socket.socket(socket.AF_UNIX)
    plug.bind(str(inbox / "socket.wav"))
    plug.close()
    scan = look(inbox)
    assert [seen.path for seen in scan.files] == ["A.wav"]
    reasons = {refusal.path: refusal.reason for refusal in scan.refused}
    assert set(reasons) == {"link.wav", "hard.wav", "pipe.wav", "socket.wav"}
    assert "symbolic link" in reasons["link.wav"]
    assert "hard link" in reasons["hard.wav"]
    assert "pipe" in reasons["pipe.wav"]


def test_folders_without_end_are_refused(tmp_path: Path) -> None:
    deep = tmp_path.joinpath(*["deeper"] * (DEEPEST + 1))
    touch(deep / "A.wav")
    scan = look(tmp_path)
    assert scan.files == []
    assert len(scan.refused) == 1


def test_a_folder_that_cannot_be_read_makes_the_look_incomplete(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    touch(tmp_path / "away/A.wav")
    touch(tmp_path / "B.wav")
    real_open = os.open

    def failing(path: str, *rest: int, **more: int) -> int:
        if path == "away":
            raise OSError(5, "Input/output error")
        return real_open(path, *rest, **more)

    monkeypatch.setattr(os, "open", failing)
    scan = look(tmp_path)
    assert not scan.complete
    assert scan.unreadable[0].path == "away"
    assert [seen.path for seen in scan.files] == ["B.wav"]


def test_a_missing_inbox_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        look(tmp_path / "inbox")


def test_thousands_of_other_files_are_not_even_asked_for_their_size(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(3_000):
        os.close(os.open(tmp_path / f"letter {number}.txt", os.O_CREAT | os.O_WRONLY))
    asked: list[object] = []
    real_stat = os.stat

    def noting(*what: Any, **how: Any) -> os.stat_result:
        asked.append(what)
        return real_stat(*what, **how)

    monkeypatch.setattr(os, "stat", noting)
    began = time.perf_counter()
    scan = look(tmp_path)
    took_s = time.perf_counter() - began
    assert scan.ignored == 3_000
    assert asked == []
    assert took_s < 1.0  # the benchmark holds the figure
