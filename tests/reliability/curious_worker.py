"""A worker that tries what it must not do: `python -m reliability.curious_worker ROOT JOB`."""

from __future__ import annotations

import json
import os
import signal
import socket
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any


def attempts(root: Path, job: str) -> dict[str, Callable[[], Any]]:
    """Everything that is tried, by what it is called in the test."""
    own, other = root / "work" / job, root / "work" / "other"
    stage, archive = root / "archive" / ".incoming" / job, root / "archive"
    return {
        "read its recording": (own / "recording" / "A.wav").read_bytes,
        "write into its job": lambda: (own / "note").write_text("x"),
        "rename in its job": lambda: (own / "note").rename(own / "noted"),
        "remove in its job": (own / "noted").unlink,
        "write into its stage": lambda: (stage / "track").write_text("x"),
        "make folders in its stage": lambda: (stage / "music" / "deep").mkdir(parents=True),
        "list the archive": lambda: _listed(archive / "music"),
        "flush the folder of stages": lambda: _flush(archive / ".incoming"),
        "read its rule sets": (root / "rules" / "own.yaml").read_text,
        "import a library": lambda: __import__("numpy"),
        "read another job's recording": (other / "recording" / "B.wav").read_bytes,
        "list another job": lambda: _listed(other),
        "write into another job": lambda: (other / "note").write_text("x"),
        "read a master": (archive / "masters" / "old.wav").read_bytes,
        "read a track": (archive / "music" / "old.flac").read_bytes,
        "replace a track": lambda: (archive / "music" / "old.flac").write_text("x"),
        "remove a master": (archive / "masters" / "old.wav").unlink,
        "write beside the archive": lambda: (archive / "note").write_text("x"),
        "write into another stage": lambda: (archive / ".incoming/other/note").write_text("x"),
        "move its stage away": lambda: stage.rename(archive / ".incoming/moved"),
        "move its recording out": lambda: (own / "recording/A.wav").rename(archive / "A.wav"),
        "link to a master": lambda: os.link(archive / "masters/old.wav", own / "old.wav"),
        "make a link": lambda: (own / "link").symlink_to("/etc/passwd"),
        "read the inbox": lambda: _listed(root / "inbox"),
        "read the ledger": (root / "state" / "ledger.db").read_bytes,
        "write into the cache": lambda: (root / "state/cache/note").write_text("x"),
        "read the users": Path("/etc/passwd").read_text,
        "read a home": lambda: _listed(Path.home()),
        "write to the temporary folder": lambda: Path("/tmp/sidekeep-curious").write_text("x"),
        "run a shell": lambda: _run("/bin/sh"),
        "connect": lambda: _connect(int((own / "port").read_text())),
        "stop its parent": lambda: os.kill(os.getppid(), signal.SIGCONT),
    }


def main(root: Path, job: str) -> None:
    """Try everything, and write down what the system said."""
    said = {}
    for name, attempt in attempts(root, job).items():
        try:
            attempt()
            said[name] = "done"
        except OSError as error:
            said[name] = error.strerror or str(error)
    (root / "work" / job / "said.json").write_text(json.dumps(said))


def _listed(folder: Path) -> list[Path]:
    return list(folder.iterdir())


def _flush(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    os.fsync(descriptor)
    os.close(descriptor)


def _run(program: str) -> None:
    child = os.posix_spawn(program, [program, "-c", "exit 0"], {})
    if os.waitpid(child, 0)[1] != 0:
        raise PermissionError(13, "Permission denied")


def _connect(port: int) -> None:
    with socket.socket() as plug:
        plug.connect(("127.0.0.1", port))


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
