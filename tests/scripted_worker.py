"""A worker that does what its job's folder says: `python -m scripted_worker ROOT JOB`."""

from __future__ import annotations

import json
import os
import resource
import signal
import sys
import time
from pathlib import Path

LIMITS = {
    "memory": resource.RLIMIT_AS,
    "cpu": resource.RLIMIT_CPU,
    "file": resource.RLIMIT_FSIZE,
    "files": resource.RLIMIT_NOFILE,
    "core": resource.RLIMIT_CORE,
}


def main(root: Path, job: str) -> None:
    folder = root / "work" / job
    script = (folder / "script").read_text(encoding="utf-8")
    if script == "hang":
        (folder / "pid").write_text(str(os.getpid()), encoding="ascii")
        time.sleep(600)
    elif script == "burn":
        while True:
            pass
    elif script == "eat":
        os.write(1, b"x" * len(bytearray(1 << 40)))
    elif script == "fill":
        with (folder / "large").open("wb") as file:
            file.write(bytes(1 << 22))
    elif script.startswith("SIG"):
        os.kill(os.getpid(), getattr(signal, script))
    elif script == "child":
        if os.fork() == 0:
            (folder / "pid").write_text(str(os.getpid()), encoding="ascii")
            time.sleep(600)
        time.sleep(600)
    elif script == "say":
        limits = {name: resource.getrlimit(what) for name, what in LIMITS.items()}
        values = {"limits": limits, "environment": dict(os.environ)}
        (folder / "said").write_text(json.dumps(values), encoding="utf-8")
    else:
        sys.stderr.write(script + "\n")
        sys.exit(int(script.split()[0]))


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
