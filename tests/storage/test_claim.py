"""A recording leaves the inbox whole and unchanged, or stays; nothing is followed on the way."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Any

import pytest

from sidekeep.errors import MachineFault
from sidekeep.storage import claim as claim_module
from sidekeep.storage import durable
from sidekeep.storage.claim import NotClaimed, Wanted, claim, recover_claims
from sidekeep.storage.folders import Root
from sidekeep.storage.jobnames import slug
from sidekeep.storage.order import read_order
from storage.breaking_calls import Breaker, Crash, breaking
from storage.jobs_on_disk import RECORDING, places_of, stamp_of

DATE = "20240101"


@pytest.fixture
def root(tmp_path: Path) -> Root:
    root = Root(tmp_path / "root")
    root.prepare()
    (root.inbox / "club").mkdir()
    return root


def drop(root: Root, path: str = "club/Side A.wav", data: bytes = RECORDING) -> Wanted:
    (root.inbox / path).write_bytes(data)
    return Wanted(path, stamp_of(root.inbox / path))


def test_a_claimed_recording_lies_in_its_job_with_an_order(root: Root) -> None:
    wanted = drop(root)
    drop(root, "club/record.yaml", b"artist: Marlow\n")
    drop(root, "club/cover.jpg", b"picture")
    order = claim(
        root,
        [wanted],
        date=DATE,
        sheet="club/record.yaml",
        cover="club/cover.jpg",
        rules="club",
        side="A",
    )
    home = root.work / "20240101-club-side-a"
    assert order == read_order(home)
    assert (order.origin, order.folder) == ("club/Side A.wav", "club")
    assert (order.rules, order.side) == ("club", "A")
    assert (home / order.parts[0]).read_bytes() == RECORDING
    assert (home / str(order.sheet)).read_bytes() == b"artist: Marlow\n"
    assert (home / str(order.cover)).read_bytes() == b"picture"
    assert (root.inbox / "club/record.yaml").exists()  # other sides may need it
    assert places_of(root, RECORDING) == [f"work/{order.job}/recording/Side A.wav"]


def test_parts_go_together_in_their_order(root: Root) -> None:
    parts = [drop(root, f"club/A{number}.wav", bytes([number])) for number in (1, 2)]
    order = claim(root, parts, date=DATE)
    assert order.parts == ("recording/A1.wav", "recording/A2.wav")


def test_every_job_has_a_name_of_its_own(root: Root) -> None:
    (root.jobs / "20240101-club-side-a").mkdir()
    (root.held / "20240101-club-side-a-3").mkdir()
    names = [claim(root, [drop(root)], date=DATE).job for _ in range(2)]
    assert names == ["20240101-club-side-a-2", "20240101-club-side-a-4"]


def test_slugs_are_plain() -> None:
    assert (
        slug("Jazz/Ida Märlow – Low Water [SMA 014] B.wav") == "jazz-ida-marlow-low-water-sma-014-b"
    )
    assert slug("../..\x00\n.wav") == "recording"
    assert len(slug("x" * 500)) == 60


# --- what is refused -------------------------------------------------------------------------------


def refused(root: Root, wanted: Wanted) -> str:
    with pytest.raises(NotClaimed) as error:
        claim(root, [wanted], date=DATE)
    assert [entry.name for entry in root.work.iterdir()] == [".sidekeep"]
    return error.value.message


def test_links_pipes_and_second_names_are_refused(root: Root) -> None:
    wanted = drop(root)
    real = root.inbox / "club/Side A.wav"
    (root.inbox / "club/link.wav").symlink_to(real)
    assert "cannot be taken" in refused(root, Wanted("club/link.wav", wanted.stamp))
    os.mkfifo(root.inbox / "club/pipe.wav")
    assert "regular" in refused(root, Wanted("club/pipe.wav", wanted.stamp))
    (root.inbox / "club/twin.wav").hardlink_to(real)
    assert "hard link" in refused(root, wanted)
    assert real.read_bytes() == RECORDING


def test_a_folder_that_is_a_link_is_not_followed(root: Root, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "a.wav").write_bytes(RECORDING)
    (root.inbox / "door").symlink_to(outside)
    assert "not a folder" in refused(root, Wanted("door/a.wav", stamp_of(outside / "a.wav")))
    assert "inside the inbox" in refused(
        root, Wanted("../outside/a.wav", stamp_of(outside / "a.wav"))
    )
    assert (outside / "a.wav").exists()


def test_a_sheet_that_is_a_link_is_not_copied(root: Root, tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("secret")
    (root.inbox / "club/record.yaml").symlink_to(tmp_path / "secret")
    with pytest.raises(MachineFault):
        claim(root, [drop(root)], date=DATE, sheet="club/record.yaml")
    assert places_of(root, RECORDING) == ["inbox/club/Side A.wav"]


def test_a_file_that_changed_or_went_is_left(root: Root) -> None:
    wanted = drop(root)
    drop(root, data=RECORDING + b"more")
    assert "changed" in refused(root, wanted)
    (root.inbox / wanted.path).unlink()
    assert "no longer" in refused(root, wanted)


def test_a_file_that_somebody_writes_is_left(root: Root) -> None:
    wanted = drop(root)
    with (root.inbox / wanted.path).open("r+b"):
        assert "open for writing" in refused(root, wanted)
    claim(root, [wanted], date=DATE)


def test_a_file_swapped_while_it_is_claimed_is_put_back(
    root: Root, monkeypatch: pytest.MonkeyPatch
) -> None:
    wanted = drop(root)
    real = durable.rename_noreplace
    swapped = b"something else, put there at the last moment"

    def swap_first(*names: str, **folders: Any) -> None:
        monkeypatch.setattr(claim_module, "rename_noreplace", real)
        (root.inbox / wanted.path).unlink()
        (root.inbox / wanted.path).write_bytes(swapped)
        real(*names, **folders)

    monkeypatch.setattr(claim_module, "rename_noreplace", swap_first)
    assert "changed" in refused(root, wanted)
    assert (root.inbox / wanted.path).read_bytes() == swapped


def test_what_is_put_back_replaces_nothing(root: Root, monkeypatch: pytest.MonkeyPatch) -> None:
    first, second = drop(root, "club/A1.wav", b"1"), drop(root, "club/A2.wav", b"2")
    real = durable.rename_noreplace

    def then_interfere(*names: str, **folders: Any) -> None:
        monkeypatch.setattr(claim_module, "rename_noreplace", real)
        real(*names, **folders)
        (root.inbox / "club/A1.wav").write_bytes(b"dropped meanwhile")
        (root.inbox / "club/A2.wav").write_bytes(b"changed meanwhile")

    monkeypatch.setattr(claim_module, "rename_noreplace", then_interfere)
    with pytest.raises(NotClaimed):
        claim(root, [first, second], date=DATE)
    assert (root.inbox / "club/A1.wav").read_bytes() == b"dropped meanwhile"
    assert (root.inbox / "club/A1 (2).wav").read_bytes() == b"1"


def test_what_is_put_back_goes_through_no_link(
    root: Root, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Should the folder become a link while its files are claimed, they land in the inbox itself."""
    parts = [drop(root, "club/A1.wav", b"1"), drop(root, "club/A2.wav", b"2")]
    real = durable.rename_noreplace

    def then_swap_the_folder(*names: str, **folders: Any) -> None:
        monkeypatch.setattr(claim_module, "rename_noreplace", real)
        real(*names, **folders)
        (root.inbox / "club").rename(tmp_path / "elsewhere")
        (root.inbox / "club").symlink_to(tmp_path / "elsewhere")
        (tmp_path / "elsewhere" / "A2.wav").write_bytes(b"changed")

    monkeypatch.setattr(claim_module, "rename_noreplace", then_swap_the_folder)
    with pytest.raises(NotClaimed):
        claim(root, parts, date=DATE)
    assert (root.inbox / "A1.wav").read_bytes() == b"1"


# --- crashes -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("after", [False, True])
def test_a_crash_at_any_call_leaves_each_part_once(
    tmp_path: Path, after: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "fsync", lambda _: None)
    at, broken = 0, True
    while broken:
        at += 1
        root = Root(tmp_path / "root")
        root.prepare()
        (root.inbox / "club").mkdir()
        parts = [drop(root, f"club/A{number}.wav", bytes([number]) * 9) for number in (1, 2)]
        drop(root, "club/record.yaml", b"artist: Marlow\n")
        breaker = Breaker(at, after=after)
        try:
            with breaking(breaker):
                claim(root, parts, date=DATE, sheet="club/record.yaml")
        except Crash:
            pass
        broken = breaker.broken
        whole = recover_claims(root)
        assert recover_claims(root) == whole
        found = [places_of(root, bytes([number]) * 9) for number in (1, 2)]
        home = f"work/{whole[0]}/recording" if whole else "inbox/club"
        assert found == [[f"{home}/A1.wav"], [f"{home}/A2.wav"]], f"crash at call {at}"
        assert len(list(root.work.iterdir())) == 1 + len(whole)
        shutil.rmtree(root.path)
    assert at > 5
