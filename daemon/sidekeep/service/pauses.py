"""Growing pauses between tries, per job or file: 60 s, doubled each time, at most an hour."""

from __future__ import annotations

from dataclasses import dataclass

FIRST_S = 60.0
LONGEST_S = 3600.0


@dataclass(frozen=True, slots=True)
class Pause:
    """How often something failed in a row and when (monotonic) it is tried again."""

    failures: int
    until_s: float


class Pauses:
    """The pauses that run at present, by name."""

    def __init__(self) -> None:
        self._pauses: dict[str, Pause] = {}

    def fail(self, name: str, now_s: float, first_s: float = FIRST_S) -> float:
        """Note a failure; return the length of the pause that begins now, in seconds."""
        failures = self._pauses[name].failures + 1 if name in self._pauses else 1
        pause_s = min(first_s * float(2 ** min(failures - 1, 16)), LONGEST_S)
        self._pauses[name] = Pause(failures, now_s + pause_s)
        return pause_s

    def over(self, name: str, now_s: float) -> bool:
        """Tell whether a name may be tried (again)."""
        pause = self._pauses.get(name)
        return pause is None or now_s >= pause.until_s

    def forget(self, name: str) -> None:
        """It worked, or it is gone: the next failure starts with the shortest pause."""
        self._pauses.pop(name, None)

    def keep_only(self, names: set[str]) -> None:
        """Forget all but these names."""
        self._pauses = {name: pause for name, pause in self._pauses.items() if name in names}

    def next_s(self) -> float | None:
        """When (monotonic) the first pause ends; None without pauses."""
        return min((pause.until_s for pause in self._pauses.values()), default=None)
