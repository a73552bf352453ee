"""What a worker may touch: its job and its stage, and for reading what it is made of.

A worker decodes files that anybody may have dropped. Where the kernel has Landlock, a decoder that
is tricked can spoil the job it works on, and nothing else.
"""

from __future__ import annotations

import contextlib
import importlib.util
import os
import site
import subprocess
import sys
from collections.abc import Iterator
from importlib import metadata
from pathlib import Path

from sidekeep.errors import SidekeepError
from sidekeep.storage.folders import Root
from sidekeep.storage.landlock import CHANGE, READ, RUN, Right, confine
from sidekeep.storage.order import read_order
from sidekeep.storage.superseding import facts_of

CACHE_VARIABLE = "MPLCONFIGDIR"
_FONTS_S = 120.0
_PACKAGE = Path(__file__).parents[1]

# Where libraries lie on the systems we know (Filesystem Hierarchy Standard 3.0, 3.9 and 4.7).
_LIBRARIES = ("/lib", "/lib64", "/usr/lib", "/usr/lib64", "/usr/local/lib", "/usr/share")
_OF_A_PREFIX = ("lib", "lib64", "pyvenv.cfg")
# What the C library, the interpreter and the numeric libraries look up about the machine.
_FACTS = ("/etc/ld.so.cache", "/proc/cpuinfo", "/proc/meminfo", "/sys/devices/system/cpu")


def confine_worker(root: Root, job: str, rules: str, cache: str) -> str:
    """Give up, for this process and what it becomes, all but what a job needs.

    Args:
        root: the folders.
        job: the job.
        rules: folders of rule sets, joined as in PATH.
        cache: the folder of drawing fonts; filled here, before anything of the recording is touched.

    Returns:
        What holds the process now, in words for the job's log.
    """
    if cache:
        _fill(Path(cache))
    stage = root.incoming / job
    with contextlib.suppress(OSError):  # the archive is away: the worker will say so
        stage.mkdir(exist_ok=True)
    grants = [
        *((Path(path), RUN) for path in (*_program(), *_LIBRARIES)),
        *((Path(path), READ) for path in _FACTS),
        *((Path(path), READ) for path in (*rules.split(os.pathsep), cache) if path),
        (Path("/proc/self"), READ),
        (Path("/dev/urandom"), READ),
        (Path("/dev/null"), READ | Right.WRITE_FILE),
        (root.archive, Right.LIST),  # to find names that are free
        (root.work / job, CHANGE),
        (stage, CHANGE),
        *((path, READ) for path in _earlier(root, job)),
    ]
    try:
        version = confine(grants)
    except OSError as error:
        return f"nothing (landlock refused: {error.strerror})"
    return f"landlock {version}" if version else "nothing (the kernel has no landlock)"


def _program() -> set[str]:
    """The interpreter with all it may import; never the folder it happens to run in.

    Of the folders it is installed in only the libraries: the system's Python shares its own with every
    other program.
    """
    prefixes = {sys.prefix, sys.base_prefix, sys.exec_prefix, sys.base_exec_prefix}
    return {
        *(os.path.join(prefix, name) for prefix in prefixes for name in _OF_A_PREFIX),  # noqa: PTH118
        os.path.realpath(sys.executable),
        str(_PACKAGE),
        str(_PACKAGE / "shipped_rules"),  # where the program is run from its sources, a link
        *site.getsitepackages(),
        *(path for path in sys.path if os.path.isabs(path)),  # noqa: PTH117
    }


def _earlier(root: Root, job: str) -> Iterator[Path]:
    """The files of the filed job that this one supersedes: its recording is read from the archive."""
    with contextlib.suppress(SidekeepError, OSError):
        supersedes = read_order(root.work / job).supersedes
        if supersedes and _is_below(supersedes):
            yield root.jobs / supersedes
            for path in facts_of(root, supersedes).files:
                if path.startswith(("music/", "masters/")) and _is_below(path):
                    yield root.archive / path


def _is_below(path: str) -> bool:
    """Whether a path leads nowhere but down: earlier workers wrote the files it comes from."""
    return not {"", ".", ".."} & set(path.split("/"))


def _fill(cache: Path) -> None:
    """List the fonts of this machine once, so that workers only read the list."""
    if importlib.util.find_spec("matplotlib") is None or not cache.is_dir():
        return
    made_for = cache / "made-for"
    wanted = metadata.version("matplotlib")
    with contextlib.suppress(OSError, subprocess.TimeoutExpired):
        if made_for.exists() and made_for.read_text(encoding="ascii") == wanted:
            return
        subprocess.run(
            [sys.executable, "-P", "-c", "import matplotlib.font_manager"],
            env={**os.environ, CACHE_VARIABLE: str(cache)},
            stdin=subprocess.DEVNULL,
            timeout=_FONTS_S,
            check=False,
        )
        made_for.write_text(wanted, encoding="ascii")
