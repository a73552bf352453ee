"""What a running job tells the service: how far it is, and the verdict as soon as there is one."""

from __future__ import annotations

import threading
import time
from pathlib import Path

from sidekeep.model import Plan
from sidekeep.render import Progress as FramesDone
from sidekeep.storage.jobfiles import Progress, write_progress

#: Seconds between two notes; a person sees movement, the disk hardly notices.
_PAUSE_S = 0.5


class Telling:
    """Writes `progress.json` into the job's folder, now and then."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._next_s = 0.0
        self._verdict = self._sentence = ""

    def progress(self, act: str, fraction: float) -> None:
        """Note the act and how much of it is done (0 to 1), unless that was just done."""
        now_s = time.monotonic()
        if now_s >= self._next_s:
            self._next_s = now_s + _PAUSE_S
            write_progress(
                self._folder, Progress(act, round(fraction, 3), self._verdict, self._sentence)
            )

    def verdict(self, plan: Plan) -> None:
        """Note the verdict at once."""
        if plan.verdict is not None:
            self._verdict, self._sentence = str(plan.verdict.judgement), plan.verdict.sentence
        self._next_s = 0.0
        self.progress("decide", 1.0)

    def rendering(self, plan: Plan) -> FramesDone:
        """Return what render reports its frames to, from any thread."""
        total = sum(track.span.frames for side in plan.sides for track in side.tracks)
        lock = threading.Lock()
        done = 0

        def more(frames: int) -> None:
            nonlocal done
            with lock:
                done += frames
                self.progress("render", done / max(1, total))

        return more
