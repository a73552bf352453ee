"""The index of jobs."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from sidekeep.errors import MachineFault
from sidekeep.service.ledger import Entry, Ledger, open_ledger
from sidekeep.service.states import State


@pytest.fixture
def ledger(tmp_path: Path) -> Ledger:
    return Ledger(tmp_path / "ledger.db")


def filed(job: str, sha256: str = "", audio: str = "", changed_at: str = "") -> Entry:
    return Entry(job, State.FILED, sha256=sha256, audio_sha256=audio, changed_at=changed_at)


def test_an_entry_comes_back_as_it_was(ledger: Ledger) -> None:
    entry = Entry("job", State.HELD, "a/b.wav", "Märlow", "Löw", "A", duration_s=1.5, bytes=1 << 40)
    ledger.put(entry)
    assert ledger.get("job") == entry
    assert ledger.get("other") is None


def test_a_name_that_is_no_text_comes_back_as_it_was(ledger: Ledger) -> None:
    """Names of files are bytes; those that are not UTF-8 come as lone surrogates (PEP 383)."""
    entry = Entry("job", State.HELD, "\udcff\udcfe/A.wav", sheet="\udcff/record.yaml")
    ledger.put(entry)
    assert ledger.get("job") == entry
    assert ledger.sides_of_sheet("\udcff/record.yaml") == [entry]
    ledger.put(replace(entry, title="half \ud800 a character"))
    assert ledger.get("job") == replace(entry, title="half ? a character")


def test_opening_a_ledger_writes_nothing(tmp_path: Path) -> None:
    Ledger(tmp_path / "ledger.db").close()
    before = (tmp_path / "ledger.db").stat()
    Ledger(tmp_path / "ledger.db").close()
    after = (tmp_path / "ledger.db").stat()
    assert (after.st_mtime_ns, after.st_size) == (before.st_mtime_ns, before.st_size)


def test_putting_again_replaces(ledger: Ledger) -> None:
    ledger.put(Entry("job", State.QUEUED, title="Low Water"))
    ledger.move("job", State.RUNNING, "2031")
    assert ledger.get("job") == Entry("job", State.RUNNING, title="Low Water", changed_at="2031")
    assert ledger.counts()[State.QUEUED] == 0


def test_jobs_are_listed_newest_first(ledger: Ledger) -> None:
    for number in range(5):
        ledger.put(filed(f"job {number}", changed_at=f"2031-05-0{number + 1}"))
    newest = ledger.in_state(State.FILED, newest=2)
    assert [entry.job for entry in newest] == ["job 4", "job 3"]
    assert ledger.last_filed_at() == "2031-05-05"


def test_a_twin_is_found_by_bytes_and_by_audio_among_filed_jobs_only(ledger: Ledger) -> None:
    ledger.put(filed("first", "b1", "a1"))
    ledger.put(replace(filed("held", "b2", "a2"), state=State.HELD))
    assert ledger.filed_twin("b1", "other") == filed("first", "b1", "a1")
    assert ledger.filed_twin("other", "a1") == filed("first", "b1", "a1")
    assert ledger.filed_twin("b2", "a2") is None
    assert ledger.filed_twin("b1", "a1", but_not="first") is None


def test_what_is_not_known_has_no_twin(ledger: Ledger) -> None:
    ledger.put(filed("first"))
    assert ledger.filed_twin("", "") is None


def test_reading_beside_the_service_is_possible_and_changes_nothing(
    ledger: Ledger, tmp_path: Path
) -> None:
    ledger.put(filed("first"))
    reader = Ledger(tmp_path / "ledger.db", read_only=True)
    assert reader.get("first") == filed("first")
    with pytest.raises(MachineFault):
        reader.put(filed("second"))
    reader.close()


def test_a_damaged_ledger_is_set_aside(tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    path.write_bytes(b"this was a ledger once" * 1000)
    ledger, is_new = open_ledger(path)
    assert is_new
    assert ledger.counts()[State.FILED] == 0
    assert path.with_name("ledger.db.damaged").exists()
    ledger.close()


def test_a_sound_ledger_is_kept(tmp_path: Path) -> None:
    ledger, is_new = open_ledger(tmp_path / "ledger.db")
    assert is_new
    ledger.put(filed("first"))
    ledger.close()
    ledger, is_new = open_ledger(tmp_path / "ledger.db")
    assert not is_new
    ledger.close()


def test_a_ledger_of_another_version_is_built_anew(tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    other = sqlite3.connect(path)
    other.execute("PRAGMA user_version = 99")
    other.close()
    ledger, is_new = open_ledger(path)
    assert is_new
    ledger.close()
