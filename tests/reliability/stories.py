"""The ways on which a recording moves, each with the moment from which its end may be relied on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from reliability.forked_service import drained, in_a_fork, rule_sets_of
from reliability.small_sides import SCENARIOS, SHEET, fill, recording, rules_for
from reliability.strict_disk import FLUSHES
from reliability.tracing import Step
from sidekeep.service.returning import Change, redo, release, retry
from sidekeep.storage.folders import Root

DATE = "20310504"


@dataclass
class Story:
    """Something a person or the service does, after which a recording must be found again.

    `before` makes the root, `during` is cut; `promised` says when the result can no longer be taken
    back, and `kept` whether a root keeps that promise. With `never_flushed` what lies in the inbox was
    not brought to the disk by whoever dropped it, so only what comes after the promise counts.
    """

    name: str
    rules: Path
    before: Callable[[Root], None]
    during: Callable[[Root], int]
    promised: Callable[[Step, Root], bool]
    kept: Callable[[Root], bool]
    never_flushed: bool = False


def stories(folder: Path) -> list[Story]:
    """All ways on which a recording moves."""
    one, many, holds = SCENARIOS
    rules = {scenario.name: rules_for(scenario, folder) for scenario in SCENARIOS}
    for path in rules.values():
        rule_sets_of(str(path))

    def drain(scenario_name: str) -> Callable[[Root], int]:
        return lambda root: drained(root.path, rules[scenario_name])

    def filed_before(root: Root) -> None:
        fill(root.inbox, many, folder)
        _must(in_a_fork(lambda: drain(many.name)(root)))

    def held_before(root: Root) -> None:
        fill(root.inbox, holds, folder)
        _must(in_a_fork(lambda: drain(holds.name)(root)))

    def sheet_before(root: Root) -> None:
        held_before(root)
        (root.inbox / "A.yaml").write_text(SHEET, encoding="utf-8")

    def twin_before(root: Root) -> None:
        filed_before(root)
        (root.inbox / "B.wav").write_bytes(other_file(recording(folder).read_bytes()))

    def damaged_before(root: Root) -> None:
        (root.inbox / "B.wav").write_bytes(b"no audio at all " * 100)

    def retried_before(root: Root) -> None:
        damaged_before(root)
        _must(in_a_fork(lambda: drain(one.name)(root)))

    def redone(root: Root) -> int:
        redo(root, _only(root.jobs), Change(rules="default", side="B"), DATE)
        return drain(one.name)(root)

    def released(root: Root) -> int:
        release(root, _only(root.held), Change())
        return drain(holds.name)(root)

    def retried(root: Root) -> int:
        retry(root, _only(root.quarantine), Change())
        return drain(one.name)(root)

    def anew(root: Root) -> bool:
        """Whether there is a job that is not the first one: every later one begins with another day."""
        return any(job.startswith(DATE) for job in (*_folders(root.work), *_folders(root.jobs)))

    def sheet_is_there(root: Root) -> bool:
        return any(path.read_bytes() for path in root.path.rglob("A.yaml"))

    def filed(root: Root) -> bool:
        return bool(_folders(root.jobs))

    def held(root: Root) -> bool:
        return bool(_folders(root.held))

    def put_away(root: Root) -> bool:
        return bool(_folders(root.quarantine))

    def goes_on(root: Root) -> bool:
        return not _folders(root.held)

    def put_in(root: Root) -> None:
        fill(root.inbox, many, folder)

    def put_in_held(root: Root) -> None:
        fill(root.inbox, holds, folder)

    by_many, by_one, by_holds = rules[many.name], rules[one.name], rules[holds.name]
    commit = _flushed("archive/jobs", filed)
    return [
        Story("filed", by_many, put_in, drain(many.name), commit, filed),
        Story(
            "filed, never flushed before", by_many, put_in, drain(many.name), commit, filed, True
        ),
        Story("held", by_holds, put_in_held, drain(holds.name), _told(held), held),
        Story("quarantined", by_one, damaged_before, drain(one.name), _told(put_away), put_away),
        Story("duplicate", by_one, twin_before, drain(one.name), _told(put_away), put_away),
        Story("done again", by_one, filed_before, redone, _goes_on(anew), anew),
        Story("released", by_holds, held_before, released, _goes_on(goes_on), goes_on),
        Story("retried", by_one, retried_before, retried, lambda *_: False, lambda _: True),
        Story(
            "late sheet",
            by_holds,
            sheet_before,
            drain(holds.name),
            lambda *_: True,
            sheet_is_there,
        ),
    ]


def other_file(wav: bytes) -> bytes:
    """The same audio in another file: a chunk that means nothing is added at the end."""
    grown = wav + b"JUNK\x04\0\0\0none"
    return grown[:4] + (len(grown) - 8).to_bytes(4, "little") + grown[8:]


def _flushed(place: str, there: Callable[[Root], bool]) -> Callable[[Step, Root], bool]:
    """The promise is made by flushing that folder."""
    return lambda step, root: step.path == place and step.call in FLUSHES and there(root)


def _told(there: Callable[[Root], bool]) -> Callable[[Step, Root], bool]:
    """The promise is made by writing into the ledger what people are told."""
    return lambda step, root: (
        step.path.startswith("state/ledger") and step.call in FLUSHES and there(root)
    )


def _goes_on(there: Callable[[Root], bool]) -> Callable[[Step, Root], bool]:
    """The promise is made when a person's command has ended and the service begins."""
    return lambda step, root: step.path.startswith("state/") and there(root)


def _folders(place: Path) -> list[str]:
    return [path.name for path in place.iterdir() if path.is_dir()] if place.is_dir() else []


def _only(place: Path) -> str:
    (name,) = _folders(place)
    return name


def _must(code: int) -> None:
    if code != 0:
        raise RuntimeError(f"the preparation failed with {code}")
