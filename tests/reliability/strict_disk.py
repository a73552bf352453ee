"""A disk that keeps only what it was told to keep, and the trees it may show after a power cut.

Stricter than any one file system: a file's content is on the disk as it was at its last fsync, a
folder's entries as they were at its own last fsync, and nothing else is promised (fsync(2)). A rename is
one step, as all file systems with a journal make it. What was not flushed may be there or not: names may
arrive without the content behind them, and the changes of one folder without those of another.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from copy import deepcopy
from dataclasses import dataclass, field
from pathlib import Path

from reliability.tracing import Step

FLUSHES = frozenset({"fsync", "fdatasync"})
Entries = dict[int, dict[str, int]]  # of each folder, by inode: name to inode


@dataclass(frozen=True, slots=True)
class Content:
    """A file's bytes and its time of change."""

    data: bytes
    mtime_ns: int = 0


Tree = dict[str, Content | None]  # files and (None) folders, by path
_NOTHING = Content(b"")


@dataclass
class Live:
    """The tree as programs see it."""

    entries: Entries = field(default_factory=dict)
    paths: dict[int, Path] = field(default_factory=dict)
    folders: set[int] = field(default_factory=set)

    @classmethod
    def look(cls, top: Path) -> Live:
        """Read the names of a whole tree."""
        live = cls()
        live._look(top)
        return live

    def _look(self, folder: Path) -> int:
        number = folder.stat().st_ino
        self.paths[number] = folder
        self.folders.add(number)
        self.entries[number] = {}
        for entry in os.scandir(folder):
            if entry.is_dir(follow_symlinks=False):
                self.entries[number][entry.name] = self._look(Path(entry.path))
            else:
                inode = entry.inode()
                self.entries[number][entry.name] = inode
                self.paths[inode] = Path(entry.path)
        return number


class StrictDisk:
    """What is on the disk, followed from call to call.

    Args:
        top: the folder to follow; all it holds now is taken to be on the disk.
        never_flushed: a folder whose files are there by name only.
    """

    def __init__(self, top: Path, never_flushed: Path | None = None) -> None:
        self.top = top
        live = Live.look(top)
        self._root = top.stat().st_ino
        self._entries: Entries = deepcopy(live.entries)
        self._folders = set(live.folders)
        self._data = {
            inode: _NOTHING if path.parent == never_flushed else _content(path)
            for inode, path in live.paths.items()
            if inode not in live.folders
        }

    def follow(self, step: Step) -> None:
        """Take note of a call that is about to be made."""
        if step.call not in FLUSHES:
            return
        path = self.top / step.path
        try:
            status = path.stat()
        except OSError:
            return  # a file without a name
        if stat.S_ISDIR(status.st_mode):
            _flush_folder(self._entries, Live.look(self.top), status.st_ino, self._root)
        else:
            self._data[status.st_ino] = _content(path)

    def possible(self) -> Iterator[tuple[str, Tree]]:
        """Give the trees that a cut at this moment may leave, each with what was lost."""
        live = Live.look(self.top)
        self._folders |= live.folders
        yield "nothing that was not flushed", self._tree(self._entries)
        yield "all names, no content that was not flushed", self._tree(live.entries)
        for folder, names in live.entries.items():
            if names != self._entries.get(folder, {}):
                entries = deepcopy(self._entries)
                _flush_folder(entries, live, folder, self._root)
                _make_reachable(entries, live, folder, self._root)
                yield f"only the changes of {live.paths[folder].name}", self._tree(entries)

    def _tree(self, entries: Entries) -> Tree:
        tree: Tree = {}

        def walk(folder: int, prefix: str) -> None:
            for name, inode in entries.get(folder, {}).items():
                if inode in self._folders:
                    tree[prefix + name] = None
                    walk(inode, f"{prefix}{name}/")
                else:
                    tree[prefix + name] = self._data.get(inode, _NOTHING)

        walk(self._root, "")
        return tree


def _content(path: Path) -> Content:
    return Content(path.read_bytes(), path.stat().st_mtime_ns)


def _flush_folder(entries: Entries, live: Live, folder: int, root: int) -> None:
    """Bring a folder's entries to the disk, and the other half of every rename into or out of it.

    What is renamed out of a folder is somewhere else then, so the way to that place comes along; what is
    renamed into one is lost with it when no way leads there.
    """
    before, now = entries.get(folder, {}), live.entries[folder]
    entries[folder] = dict(now)
    arrived = set(now.values()) - set(before.values())
    left = set(before.values()) - set(now.values())
    for other, names in entries.items():
        if other != folder:
            entries[other] = {
                name: inode
                for name, inode in names.items()
                if inode not in arrived or live.entries.get(other, {}).get(name) == inode
            }
    for other, names in live.entries.items():
        if other != folder:
            gone_to = {name: inode for name, inode in names.items() if inode in left}
            if gone_to:
                entries.setdefault(other, {}).update(gone_to)
                _make_reachable(entries, live, other, root)


def _make_reachable(entries: Entries, live: Live, folder: int, root: int) -> None:
    """A change that a file system writes by itself comes with the way to the folder it lies in."""
    parents = {
        inode: (parent, name)
        for parent, names in live.entries.items()
        for name, inode in names.items()
    }
    at = folder
    while at != root:
        parent, name = parents[at]
        for other, names in entries.items():
            entries[other] = {each: inode for each, inode in names.items() if inode != at}
        entries.setdefault(parent, {})[name] = at
        at = parent


def write_tree(tree: Tree, top: Path) -> None:
    """Make the tree on a real disk."""
    for path, content in tree.items():
        target = top / path
        if content is None:
            target.mkdir(parents=True, exist_ok=True)
        else:
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content.data)
            os.utime(target, ns=(content.mtime_ns, content.mtime_ns))
