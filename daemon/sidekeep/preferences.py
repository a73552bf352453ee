"""The service's own settings: a strict YAML file; the command line goes before it, defaults after."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from sidekeep.errors import Mistake, WrittenWrong
from sidekeep.schema import read_settings
from sidekeep.settings import choice, number, quantity, text, words
from sidekeep.strict_yaml import LARGEST_BYTES, START, Entry, Mistakes, Scalar, read
from sidekeep.strict_yaml import Mapping as MappingNode

_COMMAND_LINE = "command line"


@dataclass(frozen=True, slots=True, kw_only=True)
class Preferences:
    """What one service needs to know about its machine; says nothing about records."""

    root: str = text(
        "root",
        default="/var/lib/sidekeep",
        doc="folder that holds inbox, work, held, quarantine, archive and state",
    )
    rules: tuple[str, ...] = words(
        "rules", doc="folders with rule sets of your own, laid over the shipped ones in this order"
    )
    workers: int = number(
        "workers",
        default=2,
        low=1,
        high=64,
        doc="sides treated at the same time. One that is alone may use two processor cores; with 1, "
        "no side uses more than one core",
    )
    spread: str | None = text(
        "spread",
        default=None,
        doc="address of a Dask scheduler whose workers see the same root under the same name, such as "
        "tcp://desk:8786; needs the extra spread",
    )
    poll: str = choice(
        "poll",
        of=("auto", "always", "never"),
        default="auto",
        doc="look at the inbox again and again instead of waiting for the file system's events; "
        "auto does so where events cannot be relied on, such as a network share",
    )
    poll_every_s: float = quantity(
        "poll every", unit="s", default=5.0, low=1.0, high=3600.0, doc="pause between two looks"
    )
    scan_every_s: float = quantity(
        "scan every",
        unit="s",
        default=300.0,
        low=10.0,
        high=86_400.0,
        doc="a full look although events work, in case one was lost",
    )
    settle_s: float = quantity(
        "settle",
        unit="s",
        default=3.0,
        low=1.0,
        high=3600.0,
        doc="how long a file must stand still before it is taken, where the system can tell that "
        "nobody writes to it",
    )
    settle_unseen_s: float = quantity(
        "settle on shares",
        unit="s",
        default=30.0,
        low=1.0,
        high=3600.0,
        doc="the same where the system cannot tell, such as on a network share",
    )
    largest_file_gb: float = quantity(
        "largest file",
        unit="GB",
        default=32.0,
        low=0.01,
        high=1000.0,
        doc="larger recordings go to quarantine; 4 hours at 192 kHz in 32-bit stereo are 22 GB",
    )
    memory_mb: float = quantity(
        "memory",
        unit="MB",
        default=1500.0,
        low=500.0,
        high=64_000.0,
        doc="most address space of one worker; a job that wants more is ended",
    )
    longest_job_s: float | None = quantity(
        "time per job",
        unit="s",
        default=None,
        low=60.0,
        high=86_400.0,
        doc="a job that takes longer is ended; from the recording's size when not given",
    )
    free_space_gb: float = quantity(
        "free space",
        unit="GB",
        default=2.0,
        low=0.0,
        high=10_000.0,
        doc="left free on the disk in any case; a job that would need it waits",
    )


def load_preferences(file: Path | None, command_line: Mapping[str, str | None]) -> Preferences:
    """Load the settings file, if there is one, and lay the command line over it.

    Relative folders count from the settings file's folder, or from the working folder when they
    come from the command line.

    Args:
        file: the settings file, or None.
        command_line: values by key as written in the file; None is left out.

    Raises:
        WrittenWrong: with every mistake, in the file or on the command line.
    """
    made = Preferences()
    if file is not None:
        made = _from_here(read_preferences(_content(file), str(file), made), file.parent)
    given = {key: value for key, value in command_line.items() if value is not None}
    if given:
        mistakes = Mistakes(_COMMAND_LINE)
        entries = (
            Entry(Scalar(START, key), Scalar(START, value, quoted=True))
            for key, value in given.items()
        )
        node = MappingNode(START, tuple(entries))
        laid_over = read_settings(node, made, "the command line", mistakes)
        mistakes.raise_if_any()
        made = _from_here(laid_over, Path.cwd())
    return made


def read_preferences(
    content: str | bytes, name: str, base: Preferences | None = None
) -> Preferences:
    """Read the content of a settings file over `base`.

    Raises:
        WrittenWrong: with every mistake in it.
    """
    root = read(content, name)
    mistakes = Mistakes(name)
    made: Preferences = read_settings(root, base or Preferences(), "the settings file", mistakes)
    mistakes.raise_if_any()
    return made


def _content(file: Path) -> bytes:
    try:
        with file.open("rb") as opened:
            return opened.read(LARGEST_BYTES + 1)
    except OSError as error:
        mistake = Mistake(str(file), 1, 1, f"the settings file cannot be read: {error.strerror}")
        raise WrittenWrong((mistake,)) from error


def _from_here(made: Preferences, folder: Path) -> Preferences:
    here = folder.absolute()
    return replace(
        made, root=str(here / made.root), rules=tuple(str(here / rules) for rules in made.rules)
    )
