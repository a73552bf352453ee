"""Files that change on a disk without anybody's doing."""

from __future__ import annotations

import os
import random
from pathlib import Path


def flip(path: Path, rng: random.Random) -> None:
    """Change one bit as a failing disk does: size and time of change stay."""
    status = path.stat()
    data = bytearray(path.read_bytes())
    data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    path.chmod(0o644)
    path.write_bytes(data)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
