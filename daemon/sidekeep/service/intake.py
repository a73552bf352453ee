"""From a look at the inbox to recordings that may be taken, each with its sheet and cover."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from sidekeep.service.companions import Companions, companions_of
from sidekeep.service.grouping import recordings_of
from sidekeep.service.inbox import Scan, Seen, look
from sidekeep.service.pauses import Pauses
from sidekeep.service.readiness import Gate, Standing
from sidekeep.service.settling import Still, observe, quiet_s
from sidekeep.service.timelines import Timelines

GATHERING_S = 120.0  # longest wait for a sheet that may still come with the rest of its folder


@dataclass(frozen=True, slots=True)
class Arrival:
    """A recording in the inbox: its parts, what belongs to it, and how far it has come."""

    parts: tuple[Seen, ...]
    companions: Companions
    standing: Standing
    quiet_s: float

    @property
    def origin(self) -> str:
        """The inbox-relative path of the first part; the recording's name while it is here."""
        return self.parts[0].path

    @property
    def bytes(self) -> int:
        """The size of all parts."""
        return sum(part.stamp.size for part in self.parts)


class Intake:
    """Looks, remembers how long everything has stood still, and says what may be taken."""

    def __init__(self, inbox: Path, gate: Gate, scan: Callable[[Path], Scan] = look) -> None:
        self._inbox = inbox
        self._gate = gate
        self._scan = scan
        self._timelines = Timelines(inbox)
        self._still: dict[str, Still] = {}
        self._complete_since: dict[str, float] = {}
        self.pauses = Pauses()
        self.scan = Scan()
        self.arrivals: list[Arrival] = []

    def look(self, now_s: float) -> list[Arrival]:
        """Look once; return the recordings that may be taken or given up now.

        Raises:
            OSError: the inbox cannot be read.
        """
        self.scan = self._scan(self._inbox)
        self._still = observe(self._still, self.scan.files, now_s)
        self._gate.keep_only({seen.stamp for seen in self.scan.files})
        recordings = self._timelines.joined(recordings_of(self.scan.files))
        self.pauses.keep_only({parts[0].path for parts in recordings})
        self.arrivals = [self._arrival(parts, now_s) for parts in recordings]
        complete = {arrival.origin for arrival in self.arrivals if arrival.standing in _COMPLETE}
        self._complete_since = {
            origin: self._complete_since.get(origin, now_s) for origin in complete
        }
        return [a for a in self.arrivals if a.standing in {Standing.READY, Standing.ABANDONED}]

    def taken(self, arrival: Arrival) -> None:
        """Forget a recording that has left the inbox."""
        self.arrivals.remove(arrival)
        self.pauses.forget(arrival.origin)

    def settled(self, seen: Seen, now_s: float) -> bool:
        """Say whether a sheet or cover has stood still long enough."""
        return seen.path in self._still and self._gate.settled(
            quiet_s(self._still[seen.path], now_s)
        )

    def _arrival(self, parts: tuple[Seen, ...], now_s: float) -> Arrival:
        companions = companions_of(parts[0], self.scan.files)
        quiet = min(quiet_s(self._still[part.path], now_s) for part in parts)
        try:
            standings = {self._gate.judge(part, quiet) for part in parts}
        except FileNotFoundError:
            standings = {Standing.CHANGING}
        except OSError:
            standings = {Standing.UNREADABLE}
        standing = next(s for s in _WORST_FIRST if s in standings)
        if standing is Standing.READY and self._may_gather(parts, companions, now_s):
            standing = Standing.GATHERING
        if standing in _LAST and not self.pauses.over(parts[0].path, now_s):
            standing = Standing.PAUSED
        return Arrival(parts, companions, standing, quiet)

    def _may_gather(self, parts: tuple[Seen, ...], companions: Companions, now_s: float) -> bool:
        """Say whether a sheet or cover may still be on its way with the rest of the folder."""
        since_s = self._complete_since.get(parts[0].path, now_s)
        if now_s - since_s >= GATHERING_S:
            return False
        if not all(self.settled(seen, now_s) for seen in companions.files):
            return True
        folder = parts[0].folder
        if companions.sheet is not None or not folder:
            return False
        beside = [seen for seen in self.scan.files if seen.folder == folder]
        return folder in self.scan.transfers or not all(self.settled(s, now_s) for s in beside)


_COMPLETE = frozenset({Standing.READY, Standing.GATHERING, Standing.PAUSED})
_LAST = frozenset({Standing.READY, Standing.ABANDONED})
_WORST_FIRST = (
    Standing.UNREADABLE,
    Standing.CHANGING,
    Standing.OPEN,
    Standing.UNFINISHED,
    Standing.ABANDONED,
    Standing.READY,
)
