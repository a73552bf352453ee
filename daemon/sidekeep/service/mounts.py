"""Which file system a folder lies on, and whether its events can be trusted.

The kernel tells inotify only what this machine did. Changes made on the other end of a network
share or below a user-space file system arrive without an event (inotify(7), "Limitations").
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path

MOUNTINFO = Path("/proc/self/mountinfo")
_SILENT = re.compile(
    r"^(nfs\d?|cifs|smb3|smbfs|9p|virtiofs|vboxsf|afs|ceph|glusterfs|fuse(\..*)?)$"
)


@dataclass(frozen=True, slots=True)
class Mount:
    """A mount point and the kind of its file system, as the kernel names it."""

    point: str
    kind: str

    @property
    def tells_events(self) -> bool:
        """Whether every change on it raises an event here."""
        return _SILENT.match(self.kind) is None


def mount_of(folder: Path, table: str | None = None) -> Mount:
    """Find the mount that a folder lies on (proc(5), /proc/pid/mountinfo).

    Args:
        folder: an existing folder.
        table: the text of mountinfo; read from /proc when missing.
    """
    text = MOUNTINFO.read_text(encoding="utf-8", errors="replace") if table is None else table
    where = os.path.realpath(folder)
    best = Mount("/", "unknown")
    for line in text.splitlines():
        before, separator, after = line.partition(" - ")
        fields = before.split()
        if not separator or len(fields) < 5 or not after:
            continue
        point = _unescape(fields[4])
        # A later line for the same point was mounted over the earlier one.
        if _lies_below(where, point) and len(point) >= len(best.point):
            best = Mount(point, after.split()[0])
    return best


def _lies_below(where: str, point: str) -> bool:
    return point in ("/", where) or where.startswith(point + "/")


def _unescape(text: str) -> str:
    return re.sub(r"\\([0-7]{3})", lambda found: chr(int(found.group(1), 8)), text)
