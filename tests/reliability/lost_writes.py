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
from reliability.forked_service import drained, in_a_fork
from reliability.kills import PATIENCE_S
from reliability.stories import Story, stories
from reliability.strict_disk import StrictDisk, Tree, write_tree
from reliability.tracing import Answer, Step, run_traced
from sidekeep.storage.folders import Root

PACKAGE = Path(sidekeep.__file__).parent
QUICK_STORY, QUICK_SITE = "quarantined", "storage/quarantine.py"
WANTED = "0 committed jobs lost, 0 recordings lost, recovered without a difference"
_INDEX = frozenset({"state", "archive/index.html"})  # can be made anew, and is


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
        disk = StrictDisk(root.path, never_flushed=root.inbox if story.never_flushed else None)
        seen: dict[str, tuple[str, Tree, bool]] = {}
        judged = Judged()
        promised = False

        def cut(when: str) -> None:
            if story.never_flushed and not promised:
                return
            judged.cuts += 1
            for lost, tree in disk.possible():
                there = {path: data for path, data in tree.items() if not _indexed(path)}
                key = f"{_digest(there)} {story.name if promised else ''}"
                seen.setdefault(key, (f"{story.name}, {when}: {lost}", there, promised))

        def at_step(step: Step) -> Answer:
            nonlocal promised
            if not step.path.startswith("state/"):
                cut(f"before {step.number} ({step.call} {step.path})")
            disk.follow(step)
            promised = promised or story.promised(step, root)
            return None

        code = run_traced(lambda: story.during(root), root.path, at_step, PATIENCE_S)
        cut("at the end")
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
        told = [story for story in stories(folder) if full or story.name == QUICK_STORY]
        court = Court(folder)
        for story in told:
            judged = court.run(story)
            measured = f"{judged.cuts} cuts, {judged.trees} trees: {len(judged.problems)} problems"
            yield Figure(f"strict disk, {story.name}", WANTED, measured, judged.problems)
        for site in sites():
            if full or site.startswith(QUICK_SITE):
                yield _proof(court, told, site)


def _proof(court: Court, told: list[Story], site: str) -> Figure:
    noticed = next(without(court, told, site), "")
    problems = [] if noticed else ["no check noticed that it was left out"]
    measured = "noticed" if noticed else "missed"
    return Figure(f"without the fsync at {site}", "noticed", measured, problems, noticed)
