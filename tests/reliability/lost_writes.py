"""Power cuts on a disk that keeps only what was flushed, and the proof that every fsync is needed.

Each story runs once, followed by a strict model of the disk; every tree the model allows after any
call is recovered and judged. Then the same with each fsync of the program left out in turn: the check
must fail.
"""

from __future__ import annotations

import ast
import hashlib
import os
import shutil
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import sidekeep
from reliability import census
from reliability.figures import Figure, scratch
from reliability.forked_service import drained, in_a_fork, rule_sets_of
from reliability.kills import PATIENCE_S
from reliability.small_sides import SCENARIOS, SHEET, fill, recording, rules_for
from reliability.strict_disk import StrictDisk, Tree, write_tree
from reliability.tracing import Answer, Step, run_traced
from sidekeep.service.returning import Change, redo, release, retry
from sidekeep.storage.folders import Root

PACKAGE = Path(sidekeep.__file__).parent
DATE = "20310504"
WANTED = "0 committed jobs lost, 0 recordings lost, recovered without a difference"
_INDEX = frozenset({"state", "archive/index.html"})  # can be made anew, and is


@dataclass
class Story:
    """Something a person or the service does, after which a recording must be found again.

    `before` makes the root, `during` is cut; `promised` says when the result can no longer be taken
    back, and `kept` whether a root keeps that promise.
    """

    name: str
    rules: Path
    before: Callable[[Root], None]
    during: Callable[[Root], int]
    promised: Callable[[Step, Root], bool]
    kept: Callable[[Root], bool]


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

    def late_sheet(root: Root) -> int:
        (root.inbox / "A.yaml").write_text(SHEET, encoding="utf-8")
        return drain(holds.name)(root)

    filed = _flushed("archive/jobs", lambda root: _folders(root.jobs))
    put_away = _flushed("quarantine", lambda root: _folders(root.quarantine))
    waits = _flushed("held", lambda root: _folders(root.held))
    anew = _flushed("archive/jobs", lambda root: {*_folders(root.jobs)} - {_first_name(root)})
    return [
        Story(
            "filed",
            rules[many.name],
            lambda root: fill(root.inbox, many, folder),
            drain(many.name),
            filed,
            lambda root: bool(_folders(root.jobs)),
        ),
        Story(
            "held",
            rules[holds.name],
            lambda root: fill(root.inbox, holds, folder),
            drain(holds.name),
            waits,
            lambda root: bool(_folders(root.held)),
        ),
        Story(
            "quarantined",
            rules[one.name],
            damaged_before,
            drain(one.name),
            put_away,
            lambda root: bool(_folders(root.quarantine)),
        ),
        Story(
            "duplicate",
            rules[one.name],
            twin_before,
            drain(one.name),
            put_away,
            lambda root: bool(_folders(root.quarantine)),
        ),
        Story(
            "done again",
            rules[one.name],
            filed_before,
            redone,
            anew,
            lambda root: bool(_folders(root.jobs)),
        ),
        Story(
            "released",
            rules[holds.name],
            held_before,
            released,
            filed,
            lambda root: bool(_folders(root.jobs)),
        ),
        Story("retried", rules[one.name], retried_before, retried, put_away, lambda _: True),
        Story("late sheet", rules[holds.name], held_before, late_sheet, waits, lambda _: True),
    ]


def other_file(wav: bytes) -> bytes:
    """The same audio in another file: a chunk that means nothing is added at the end."""
    grown = wav + b"JUNK\x04\0\0\0none"
    return grown[:4] + (len(grown) - 8).to_bytes(4, "little") + grown[8:]


@dataclass
class Judged:
    """How a story came out."""

    cuts: int = 0
    trees: int = 0
    problems: list[str] = field(default_factory=list)


class Court:
    """Runs stories, and recovers and judges every tree that a cut may leave."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.sound: Counter[str] = Counter()  # trees known to be recovered well

    def run(self, story: Story, *, stop_early: bool = False) -> Judged:
        """Cut a story at every call."""
        root = Root(self.folder / "live")
        shutil.rmtree(root.path, ignore_errors=True)
        root.prepare()
        story.before(root)
        dropped = sorted(census.recordings(root).elements())
        results = [census.filed(root)]
        disk = StrictDisk(root.path)
        seen: dict[str, tuple[str, Tree, bool]] = {}
        judged = Judged()
        promised = False

        def at_step(step: Step) -> Answer:
            nonlocal promised
            if not step.path.startswith("state/"):
                judged.cuts += 1
                for lost, tree in disk.possible():
                    there = {path: data for path, data in tree.items() if not _indexed(path)}
                    key = f"{_digest(there)} {promised}"
                    where = f"{story.name}, before {step.number} ({step.call} {step.path}): {lost}"
                    seen.setdefault(key, (where, there, promised))
            disk.follow(step)
            promised = promised or story.promised(step, root)
            return None

        code = run_traced(lambda: story.during(root), root.path, at_step, PATIENCE_S)
        results.append(census.filed(root))
        if code != 0 or census.unfinished(root):
            judged.problems.append(f"{story.name}: the undisturbed run failed ({code})")
        for key, (where, tree, must_keep) in seen.items():
            if self.sound[key]:
                continue
            judged.trees += 1
            wrong = self._judge(tree, story, must_keep, dropped, results)
            judged.problems += [f"{where}: {each}" for each in wrong]
            if not wrong:
                self.sound[key] += 1
            elif stop_early:
                break
        return judged

    def _judge(
        self,
        tree: Tree,
        story: Story,
        must_keep: bool,
        dropped: list[str],
        results: list[dict[str, str]],
    ) -> list[str]:
        root = Root(self.folder / "after")
        shutil.rmtree(root.path, ignore_errors=True)
        write_tree(tree, root.path)
        (root.state).mkdir(exist_ok=True)
        (root.state / ".sidekeep").touch()
        wrong = []
        if must_keep and not story.kept(root):
            wrong.append("what was promised is not there")
        if in_a_fork(lambda: drained(root.path, story.rules)) != 0:
            wrong.append("draining failed")
        wrong += _lost(root, dropped)
        wrong += census.unfinished(root)
        filed = census.filed(root)
        if not any(filed == result for result in results):
            wrong += census.differences(filed, results[-1])
        return wrong


def _lost(root: Root, dropped: list[str]) -> list[str]:
    there, wanted = census.recordings(root), Counter(dropped)
    if there == wanted:
        return []
    return [f"recordings: {dict(there - wanted)} too much, {dict(wanted - there)} lost"]


def _digest(tree: Tree) -> str:
    """Tell trees apart by names, by recordings and tracks, and by which other files are empty."""
    told = hashlib.sha256()
    for path, content in sorted(tree.items()):
        audio = path.endswith((".wav", ".flac", ".mp3"))
        data = b"folder" if content is None else content.data
        kind = data if audio or content is None else bytes([bool(data)])
        told.update(path.encode() + b"\0" + hashlib.sha256(kind).digest())
    return told.hexdigest()


def _indexed(path: str) -> bool:
    return path in _INDEX or path.startswith("state/")


def _flushed(place: str, there: Callable[[Root], object]) -> Callable[[Step, Root], bool]:
    return lambda step, root: step.path == place and step.call == "fsync" and bool(there(root))


def _folders(place: Path) -> list[str]:
    return [path.name for path in place.iterdir() if path.is_dir()] if place.is_dir() else []


def _first_name(root: Root) -> str:
    """The first job's name: every later one begins with another day."""
    return next((name for name in _folders(root.jobs) if not name.startswith(DATE)), "")


def _only(place: Path) -> str:
    (name,) = _folders(place)
    return name


def _must(code: int) -> None:
    if code != 0:
        raise RuntimeError(f"the preparation failed with {code}")


# --- leaving one fsync out ----------------------------------------------------------------------


def sites() -> list[str]:
    """Find every place in the program that flushes, as `file:line`."""
    flushing = {"fsync", "fsync_file", "fsync_folder"}
    found = [
        f"{path.relative_to(PACKAGE)}:{node.lineno}"
        for path in sorted(PACKAGE.rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and _name(node) in flushing
    ]
    inner = _inner_fsync()
    return [site for site in found if site != inner]


def _inner_fsync() -> str:
    """The one call of os.fsync that fsync_file and fsync_folder share: their callers are the sites."""
    path = PACKAGE / "storage" / "durable.py"
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef) and node.name == "_fsync":
            calls = [n for n in ast.walk(node) if isinstance(n, ast.Call) and _name(n) == "fsync"]
            return f"storage/durable.py:{calls[0].lineno}"
    raise LookupError("durable._fsync")


def _name(call: ast.Call) -> str:
    return call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")


def leaving_out(site: str) -> Callable[[int], None]:
    """Make an os.fsync that does nothing when it is called from that place."""
    real = os.fsync
    file, _, line = site.rpartition(":")
    wanted = (str(PACKAGE / file), int(line))

    def fsync(descriptor: int) -> None:
        frame = sys._getframe(1)
        for _ in range(4):
            if (frame.f_code.co_filename, frame.f_lineno) == wanted:
                return
            if frame.f_back is None:
                break
            frame = frame.f_back
        real(descriptor)

    return fsync


def without(court: Court, told: list[Story], site: str) -> Iterator[str]:
    """Say which stories notice that a place flushes no more."""
    real = os.fsync
    vars(os)["fsync"] = leaving_out(site)
    try:
        for story in told:
            problems = court.run(story, stop_early=True).problems
            if problems:
                yield problems[0]
                return
    finally:
        os.fsync = real


def check(*, full: bool) -> Iterator[Figure]:
    """Cut every story at every call; then leave out each fsync in turn."""
    with scratch("lost") as folder:
        told = stories(folder) if full else stories(folder)[2:3]
        court = Court(folder)
        for story in told:
            judged = court.run(story)
            measured = f"{judged.cuts} cuts, {judged.trees} trees: {len(judged.problems)} problems"
            yield Figure(f"strict disk, {story.name}", WANTED, measured, judged.problems)
        if full:
            yield from (_proof(court, told, site) for site in sites())


def _proof(court: Court, told: list[Story], site: str) -> Figure:
    noticed = next(without(court, told, site), "")
    problems = [] if noticed else ["no check noticed that it was left out"]
    measured = "noticed" if noticed else "missed"
    return Figure(f"without the fsync at {site}", "noticed", measured, problems, noticed)
