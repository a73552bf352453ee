"""Progress bars, for a person at a terminal only."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Never

from tqdm import tqdm

from sidekeep.cli.output import is_terminal
from sidekeep.plain import plain
from sidekeep.storage.jobfiles import Progress

_FORMAT = "{desc} {bar} {percentage:3.0f} %"


class Bars:
    """One bar for each thing that is going on; silent when nobody watches."""

    def __init__(self) -> None:
        self._shown = is_terminal()
        self._bars: dict[str, tqdm[Never]] = {}

    def show(self, running: Mapping[str, Progress]) -> None:
        """Draw how far each job is; jobs that have ended lose their bar."""
        if not self._shown:
            return
        for name in self._bars.keys() - running.keys():
            self._bars.pop(name).close()
        for name, progress in running.items():
            if name not in self._bars:
                self._bars[name] = tqdm(total=1.0, leave=False, bar_format=_FORMAT)
            bar = self._bars[name]
            bar.set_description_str(plain(f"{name}: {progress.act}"), refresh=False)
            bar.n = progress.fraction
            bar.refresh()

    def told(self, act: str, fraction: float) -> None:
        """Draw how far a single piece of work is."""
        self.show({"": Progress(act, fraction)})

    def close(self) -> None:
        """Take all bars away."""
        self.show({})
