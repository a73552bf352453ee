"""Bringing the ledger in line with the folders, which are the truth; also builds it anew."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from sidekeep.errors import SidekeepError
from sidekeep.service.ledger import Entry, Ledger
from sidekeep.service.names import SHARED_SHEET_STEM
from sidekeep.service.states import IN_WORK, State
from sidekeep.storage.folders import Root
from sidekeep.storage.jobfiles import read_result
from sidekeep.storage.manifest import FACTS_NAME, read_facts
from sidekeep.storage.order import Order, read_order
from sidekeep.storage.quarantine import read_reason


def reconcile(root: Root, ledger: Ledger) -> int:
    """Enter, correct and remove jobs until the ledger says what the folders say.

    Returns:
        How many entries had to be changed.

    Raises:
        OSError: a folder cannot be listed.
    """
    known = ledger.states()
    there = dict(_jobs(root))
    places = _places(root)
    changed = [
        job for job, state in there.items() if job not in known or not _agree(known[job], state)
    ]
    gone = [job for job in known if job not in there]
    entries = (entry_of(places[there[job]] / job, there[job]) for job in changed)
    if not known:
        ledger.replace_all(entries)
    else:
        for entry in entries:
            ledger.put(entry)
        for job in gone:
            ledger.remove(job)
    return len(changed) + len(gone)


def entry_of(folder: Path, state: State) -> Entry:
    """Read what a job's folder says about it; what cannot be read is left empty."""
    changed_at = datetime.fromtimestamp(folder.stat().st_mtime, UTC).isoformat(timespec="seconds")
    entry = Entry(folder.name, state, changed_at=changed_at)
    try:
        order = read_order(folder)
    except (SidekeepError, OSError):
        pass
    else:
        entry = replace(entry, origin=order.origin, sheet=shared_sheet_of(order))
        entry = replace(entry, bytes=_bytes(folder, order))
    result = read_result(folder)
    if result is not None:
        texts = ("artist", "title", "side", "verdict", "sentence", "sha256", "audio_sha256")
        entry = replace(
            entry, duration_s=result.duration_s, **{name: getattr(result, name) for name in texts}
        )
    if state is State.QUARANTINED:
        reason = read_reason(folder)
        entry = replace(
            entry, message=str(reason.get("why", "")), advice=str(reason.get("advice", ""))
        )
    elif state is State.HELD and result is not None:
        entry = replace(entry, message=result.message, advice=result.advice)
    elif state is State.FILED:
        entry = _with_master(entry, folder)
    return entry


def is_whole(folder: Path) -> bool:
    """Whether a job's folder has its order and all parts of its recording."""
    try:
        return all((folder / part).exists() for part in read_order(folder).parts)
    except (SidekeepError, OSError):
        return False


def shared_sheet_of(order: Order) -> str:
    """The inbox path of the sheet that a job shares with its folder; empty when it has its own."""
    name = (order.sheet or "").rpartition("/")[2]
    if name.rpartition(".")[0].casefold() != SHARED_SHEET_STEM:
        return ""
    return f"{order.folder}/{name}" if order.folder else name


def _places(root: Root) -> dict[State, Path]:
    """Where jobs of a state lie; the later place counts, for a job that is in two while tidied."""
    return {
        State.QUEUED: root.work,
        State.HELD: root.held,
        State.QUARANTINED: root.quarantine,
        State.FILED: root.jobs,
    }


def _jobs(root: Root) -> Iterator[tuple[str, State]]:
    """List all jobs by name, with the state that their place tells."""
    for state, place in _places(root).items():
        with os.scandir(place) as entries:
            for entry in entries:
                if entry.is_dir(follow_symlinks=False) and not entry.name.startswith("."):
                    yield entry.name, state


def _agree(noted: State, found: State) -> bool:
    return noted is found or (found is State.QUEUED and noted in IN_WORK)


def _bytes(folder: Path, order: Order) -> int:
    total = 0
    for part in order.parts:
        try:
            total += (folder / part).lstat().st_size
        except OSError:
            continue
    return total


def _with_master(entry: Entry, folder: Path) -> Entry:
    """Add what the facts of a filed job say about its recording."""
    try:
        files = read_facts((folder / FACTS_NAME).read_bytes()).files.values()
    except (SidekeepError, OSError):
        return entry
    masters = [file for file in files if file.path.startswith("masters/")]
    if not masters:
        return entry
    sha256 = entry.sha256 or masters[0].sha256
    return replace(entry, sha256=sha256, bytes=sum(file.bytes for file in masters))
