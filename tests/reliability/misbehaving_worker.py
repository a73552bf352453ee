"""A worker that misbehaves when its recording's name asks for it; otherwise it is the real one."""

from __future__ import annotations

import os
import signal
import sys
import time
from pathlib import Path

from sidekeep.storage.order import read_order


def main(argv: list[str]) -> int:
    """Note the try, then crash, hang, eat memory, fill the disk, or do the job."""
    folder = Path(argv[0], "work", argv[1])
    with (folder / "tries").open("a", encoding="ascii") as file:
        file.write("x")
    name = read_order(folder).origin
    if name.startswith("crash"):
        os.kill(os.getpid(), signal.SIGSEGV)
    elif name.startswith("hang"):
        time.sleep(3600)
    elif name.startswith("eat"):
        eaten = []
        while True:
            eaten.append(bytearray(64 << 20))
    elif name.startswith("fill"):
        with (folder / "large").open("wb") as large:
            while True:
                large.write(bytes(1 << 24))
    elif name.startswith("stop"):
        os.kill(os.getpid(), signal.SIGSTOP)
    from sidekeep import worker  # noqa: PLC0415  (those that end here need no numeric libraries)

    return worker.main(argv)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
