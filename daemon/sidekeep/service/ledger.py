"""The ledger: an index of all jobs in SQLite, so that questions need no walk through the folders.

The folders are the truth. A ledger that is lost or damaged is built again from them; nothing is
decided by it that a rebuilt one would decide otherwise.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, fields, replace
from functools import wraps
from pathlib import Path
from typing import Concatenate, ParamSpec, TypeVar

from sidekeep.errors import MachineFault
from sidekeep.service.states import State
from sidekeep.storage.faults import faults

VERSION = 1
BUSY_MS = 5000


@dataclass(frozen=True, slots=True)
class Entry:
    """One job.

    `origin` is the inbox-relative path of its first part, `bytes` the size of the recording,
    `sheet` the inbox-relative path of a sheet shared by a folder, `sheet_sha256` its content,
    `changed_at` the wall time (ISO 8601, UTC) of the last change of state.
    """

    job: str
    state: State
    origin: str = ""
    artist: str = ""
    title: str = ""
    side: str = ""
    verdict: str = ""
    sentence: str = ""
    message: str = ""
    advice: str = ""
    sha256: str = ""
    audio_sha256: str = ""
    duration_s: float = 0.0
    bytes: int = 0
    sheet: str = ""
    sheet_sha256: str = ""
    changed_at: str = ""


_COLUMNS = tuple(field.name for field in fields(Entry))
_TEXT = {"duration_s": "REAL", "bytes": "INTEGER"}
_SCHEMA = f"""
CREATE TABLE IF NOT EXISTS jobs (
  {", ".join(f"{name} {_TEXT.get(name, 'TEXT')} NOT NULL" for name in _COLUMNS)}, PRIMARY KEY (job)
) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS jobs_by_state ON jobs (state, changed_at);
CREATE INDEX IF NOT EXISTS jobs_by_bytes ON jobs (sha256);
CREATE INDEX IF NOT EXISTS jobs_by_audio ON jobs (audio_sha256);
CREATE INDEX IF NOT EXISTS jobs_by_sheet ON jobs (sheet);
"""
_SELECT = f"SELECT {', '.join(_COLUMNS)} FROM jobs"  # noqa: S608 (our own column names)
_VALUES = ", ".join(f"CAST(:{name} AS {_TEXT.get(name, 'TEXT')})" for name in _COLUMNS)
_PUT = f"INSERT OR REPLACE INTO jobs VALUES ({_VALUES})"  # noqa: S608


P = ParamSpec("P")
T = TypeVar("T")


def _values(entry: Entry) -> dict[str, object]:
    return {name: _bytes_of(value) for name, value in asdict(entry).items()}


def _bytes_of(value: object) -> object:
    """Give text as bytes: a file's name need not be text, and comes back as it was (PEP 383)."""
    if not isinstance(value, str):
        return value
    try:
        return value.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError:  # half a character that no file name can hold
        return value.encode("utf-8", "replace")


def _text_of(stored: bytes) -> str:
    return stored.decode("utf-8", "surrogateescape")


def _told(method: Callable[Concatenate[Ledger, P], T]) -> Callable[Concatenate[Ledger, P], T]:
    """Turn SQLite's errors into the machine's faults that they are."""

    @wraps(method)
    def telling(self: Ledger, /, *args: P.args, **kwargs: P.kwargs) -> T:
        try:
            return method(self, *args, **kwargs)
        except sqlite3.Error as error:
            raise _fault(self.path, error) from error

    return telling


def _fault(path: Path, error: sqlite3.Error) -> MachineFault:
    return MachineFault(
        f"The ledger {path} cannot be used: {error}. It is tried again.",
        "Look whether its disk is full or failing. The ledger is only an index: if it is damaged, stop "
        "the service, remove it, and it is built anew from the folders.",
    )


class Ledger:
    """Jobs by name and state. Open it for writing in the service only; reading is always possible.

    Raises:
        sqlite3.DatabaseError: on opening, the file is not a ledger or is damaged; see `open_ledger`.
        MachineFault: afterwards, the file can no longer be read or written.
    """

    def __init__(self, path: Path, *, read_only: bool = False) -> None:
        self.path = path
        if read_only:
            self._base = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)
        else:
            self._base = sqlite3.connect(path)
        self._base.text_factory = _text_of
        self._base.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
        version = self._base.execute("PRAGMA user_version").fetchone()[0]
        if version not in (0, VERSION):
            raise sqlite3.DatabaseError(f"ledger version {version}, expected {VERSION}")
        if not read_only:
            self._base.execute("PRAGMA synchronous = FULL")
            self._base.executescript(_SCHEMA)
            if version != VERSION:  # so that an old one opens on a full disk
                self._base.execute(f"PRAGMA user_version = {VERSION}")

    def close(self) -> None:
        """Close the file."""
        self._base.close()

    def sound(self) -> bool:
        """Ask SQLite whether the file is free of damage."""
        return bool(self._base.execute("PRAGMA quick_check").fetchone()[0] == "ok")

    @_told
    def put(self, entry: Entry) -> None:
        """Write one job, new or changed."""
        with self._base:
            self._base.execute(_PUT, _values(entry))

    def move(self, job: str, state: State, changed_at: str, message: str = "") -> None:
        """Change a job's state."""
        entry = self.get(job) or Entry(job, state)
        self.put(replace(entry, state=state, changed_at=changed_at, message=message))

    @_told
    def remove(self, job: str) -> None:
        """Forget a job that exists nowhere any more."""
        with self._base:
            self._base.execute("DELETE FROM jobs WHERE job = ?", (job,))

    @_told
    def replace_all(self, entries: Iterable[Entry]) -> None:
        """Write the whole index anew, in one transaction."""
        with self._base:
            self._base.execute("DELETE FROM jobs")
            self._base.executemany(_PUT, (_values(entry) for entry in entries))

    @_told
    def get(self, job: str) -> Entry | None:
        """Find one job."""
        return next(self._select("WHERE job = ?", job), None)

    @_told
    def in_state(self, *states: State, newest: int | None = None) -> list[Entry]:
        """List jobs in these states, newest first."""
        marks = ", ".join("?" * len(states))
        limit = f" LIMIT {newest:d}" if newest is not None else ""
        order = f"WHERE state IN ({marks}) ORDER BY changed_at DESC, job DESC{limit}"
        return list(self._select(order, *states))

    @_told
    def states(self) -> dict[str, State]:
        """Give every job's state by its name."""
        rows = self._base.execute("SELECT job, state FROM jobs")
        return {job: State(state) for job, state in rows}

    @_told
    def counts(self) -> Mapping[State, int]:
        """Count the jobs in every state."""
        counted = dict(self._base.execute("SELECT state, COUNT(*) FROM jobs GROUP BY state"))
        return {state: counted.get(state.value, 0) for state in State}

    @_told
    def filed_twin(self, sha256: str, audio_sha256: str, but_not: str = "") -> Entry | None:
        """Find a filed job with the same bytes or the same decoded audio."""
        for column, value in (("sha256", sha256), ("audio_sha256", audio_sha256)):
            if not value:
                continue
            where = f"WHERE {column} = ? AND state = ? AND job != ?"
            twin = next(self._select(where, value, State.FILED, but_not), None)
            if twin is not None:
                return twin
        return None

    @_told
    def sides_of_sheet(self, sheet: str) -> list[Entry]:
        """List the jobs that were given the shared sheet at this inbox path."""
        return list(self._select("WHERE sheet = CAST(? AS TEXT)", _bytes_of(sheet)))

    @_told
    def last_filed_at(self) -> str:
        """The wall time of the latest filing, ISO 8601; empty when nothing was filed."""
        query = "SELECT MAX(changed_at) FROM jobs WHERE state = ?"
        return self._base.execute(query, (State.FILED,)).fetchone()[0] or ""

    def _select(self, where: str, *values: object) -> Iterator[Entry]:
        for row in self._base.execute(f"{_SELECT} {where}", values):
            entry = Entry(*row)
            yield replace(entry, state=State(entry.state))


def open_ledger(path: Path) -> tuple[Ledger, bool]:
    """Open the ledger for writing; tell whether it is empty or new and wants to be rebuilt.

    A damaged file is set aside as `ledger.db.damaged`, since it is only an index.

    Raises:
        MachineFault: the disk failed, which says nothing about the file.
    """
    try:
        ledger = Ledger(path)
        if ledger.sound():
            return ledger, not any(ledger.counts().values())
        ledger.close()
    except sqlite3.OperationalError as error:
        raise _fault(path, error) from error
    except sqlite3.DatabaseError:
        pass
    with faults("setting aside", path):
        path.replace(path.with_name(path.name + ".damaged"))
        for rest in ("-journal", "-wal", "-shm"):
            with contextlib.suppress(FileNotFoundError):
                path.with_name(path.name + rest).unlink()
    try:
        return Ledger(path), True
    except sqlite3.OperationalError as error:
        raise _fault(path, error) from error
