"""Shows what is waiting, running, held, in quarantine and filed."""

from __future__ import annotations

import argparse
import os
import shutil
import sqlite3
import textwrap
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from sidekeep.cli import exit_codes
from sidekeep.cli.output import bold, print_json, say
from sidekeep.cli.place import preferences_of, root_of
from sidekeep.service.ledger import Entry, Ledger
from sidekeep.service.reconcile import entry_of
from sidekeep.service.states import IN_WORK, State
from sidekeep.service.status import STATUS_NAME, Status, read_status
from sidekeep.storage.folders import Root
from sidekeep.storage.jobfiles import read_progress

NEWEST = 10
GOOD = "good"  # the one verdict that needs no sentence


def run(arguments: argparse.Namespace) -> int:
    """Show the jobs."""
    root = root_of(preferences_of(arguments))
    newest = None if arguments.all else NEWEST
    entries, filed = _entries(root, newest)
    if arguments.job is not None:
        return _show_one(root, arguments, entries)
    status = read_status(root.state / STATUS_NAME) or Status()
    if arguments.json:
        shown = [asdict(entry) | _running(root, entry) for entry in entries]
        print_json({"jobs": shown, "filed": filed, "service": asdict(status)})
    else:
        say("\n".join(_lines(root, entries, filed, status)) or "Nothing yet.")
    return exit_codes.DONE


def _entries(root: Root, newest: int | None) -> tuple[list[Entry], int]:
    """All jobs that are not filed, by their folders, and the newest filed ones, by the ledger."""
    noted, filed, count = _noted(root, newest)
    places = (
        (root.work, State.QUEUED),
        (root.held, State.HELD),
        (root.quarantine, State.QUARANTINED),
    )
    found = [
        _entry(Path(each.path), state, noted)
        for place, state in places
        for each in sorted(os.scandir(place), key=lambda each: each.name)
        if each.is_dir(follow_symlinks=False)
    ]
    return [*found, *filed], count


def _noted(root: Root, newest: int | None) -> tuple[dict[str, Entry], list[Entry], int]:
    path = root.state / "ledger.db"
    if not path.exists():
        return {}, [], 0
    ledger = Ledger(path, read_only=True)
    try:
        others = ledger.in_state(*IN_WORK, State.HELD, State.QUARANTINED)
        filed = ledger.in_state(State.FILED, newest=newest)
        return {entry.job: entry for entry in others}, filed, ledger.counts()[State.FILED]
    except sqlite3.DatabaseError:  # the service builds it anew when it starts
        return {}, [], 0
    finally:
        ledger.close()


def _entry(folder: Path, state: State, noted: dict[str, Entry]) -> Entry:
    entry = noted.get(folder.name)
    if entry is not None and (
        entry.state is state or (state is State.QUEUED and entry.state in IN_WORK)
    ):
        return entry
    return entry_of(folder, state)


def _running(root: Root, entry: Entry) -> dict[str, Any]:
    progress = read_progress(root.work / entry.job) if entry.state is State.RUNNING else None
    return {"progress": asdict(progress)} if progress else {}


def _lines(root: Root, entries: list[Entry], filed: int, status: Status) -> list[str]:
    lines: list[str] = []
    if status.offline:
        lines += [bold("OFFLINE"), *_wrapped(status.offline, _width())]
    if status.short_of_space:
        lines += [
            "",
            bold("SHORT OF SPACE"),
            *_wrapped(f"The next job {status.short_of_space}.", _width()),
        ]
    lines += _waiting(status)
    for state in State:
        group = [entry for entry in entries if entry.state is state]
        if group:
            count = filed if state is State.FILED else len(group)
            lines += ["", bold(f"{state.upper()} ({count})"), *_table(root, group)]
    return lines[1:] if lines and not lines[0] else lines


def _waiting(status: Status) -> list[str]:
    lines = [f"  {each.path}: {each.why}" for each in status.waiting]
    lines += [f"  {each.path}: not taken, {each.why}" for each in status.refused]
    lines += [f"  {each.path}: cannot be read, {each.why}" for each in status.unreadable]
    if status.ignored:
        lines.append(f"  {status.ignored} other files, such as {status.ignored_example}")
    return ["", bold("IN THE INBOX"), *lines] if lines else []


def _table(root: Root, entries: Iterable[Entry]) -> list[str]:
    width = _width()
    lines = []
    for entry in entries:
        progress = read_progress(root.work / entry.job) if entry.state is State.RUNNING else None
        judged = entry.state is not State.QUARANTINED  # of a copy the verdict is of no use
        how = entry.verdict if judged else ""
        if progress:
            how = f"{progress.act} {progress.fraction:.0%}"
        record = " – ".join(text for text in (entry.artist, entry.title) if text) or entry.origin
        side = f", side {entry.side}" if entry.side else ""
        lines.append(f"  {entry.job}")
        lines += _wrapped(f"{how:<8} {record}{side}" if how else f"{record}{side}", width)
        told = (entry.sentence if judged else "", entry.message, entry.advice)
        if entry.state is not State.FILED or entry.verdict != GOOD:
            for text in dict.fromkeys(told):
                lines += _wrapped(text, width)
    return lines


def _width() -> int:
    return shutil.get_terminal_size((100, 24)).columns


def _wrapped(text: str, width: int) -> list[str]:
    indent = " " * 6
    return [
        line
        for part in text.splitlines()
        for line in textwrap.wrap(
            part,
            max(width, 40),
            initial_indent=indent,
            subsequent_indent=indent,
            break_long_words=False,
            break_on_hyphens=False,
        )
    ]


def _show_one(root: Root, arguments: argparse.Namespace, entries: list[Entry]) -> int:
    entry = next((e for e in entries if e.job == arguments.job), None) or _filed(
        root, arguments.job
    )
    if entry is None:
        say(f"There is no job {arguments.job}.")
        return exit_codes.NOT_FOUND
    if arguments.json:
        print_json(asdict(entry) | _running(root, entry))
    else:
        told = {value: name for name, value in reversed(asdict(entry).items()) if value}
        for value, name in reversed(told.items()):
            say(f"{name.replace('_', ' '):<14} {value}")
        say(f"{'folder':<14} {_home(root, entry)}")
    return exit_codes.DONE


def _home(root: Root, entry: Entry) -> Path:
    homes = {
        State.HELD: root.held,
        State.QUARANTINED: root.quarantine,
        State.FILED: root.jobs,
    }
    return homes.get(entry.state, root.work) / entry.job


def _filed(root: Root, job: str) -> Entry | None:
    folder = root.jobs / job
    if "/" in job or not folder.is_dir():
        return None
    return entry_of(folder, State.FILED)
