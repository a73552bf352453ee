"""A service on a bench: real folders, but a clock that the test turns and workers that it plays."""

from __future__ import annotations

import io
import json
import shutil
import wave
from collections.abc import Callable
from concurrent.futures import Executor, Future
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sidekeep.preferences import Preferences
from sidekeep.service.dispatch import Hands
from sidekeep.service.engine import Engine, Surroundings
from sidekeep.service.executor import Call, Ending
from sidekeep.service.ledger import Entry, Ledger
from sidekeep.service.logs import open_log
from sidekeep.service.states import State
from sidekeep.service.wake import Bell, Mode
from sidekeep.storage.durable import sha256_of
from sidekeep.storage.folders import Root
from sidekeep.storage.jobfiles import Progress, Result, write_progress, write_result
from sidekeep.storage.order import read_order
from sidekeep.storage.stage import Master, Stage

RATE_HZ = 44_100


class TurnedClock:
    """A clock whose hands only the test moves; wall and monotonic time move apart if it wants."""

    def __init__(self) -> None:
        self.monotonic = 1000.0
        self.wall = datetime(2031, 5, 4, 12, 0, 0, tzinfo=UTC)

    def monotonic_s(self) -> float:
        return self.monotonic

    def now(self) -> datetime:
        return self.wall

    def turn(self, seconds: float) -> None:
        self.monotonic += seconds
        self.wall += timedelta(seconds=seconds)


class NoEvents:
    """An event source that only counts how often it was armed."""

    def __init__(self) -> None:
        self.armed = 0
        self.mode = Mode("events", "for the test", 300.0)

    def arm(self, _inbox: Path) -> Mode:
        self.armed += 1
        return self.mode

    def disarm(self) -> None:
        self.armed = 0


class PlayedExecutor(Executor):
    """Keeps every call until the test plays its worker."""

    def __init__(self) -> None:
        self.calls: dict[str, tuple[Call, Future[Any]]] = {}
        self.started: list[str] = []
        self.is_shut = False

    def submit(self, _fn: Callable[..., Any], /, *args: Any, **_more: Any) -> Future[Any]:
        call: Call = args[0]
        future: Future[Any] = Future()
        future.set_running_or_notify_cancel()
        self.calls[call.job] = (call, future)
        self.started.append(call.job)
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: ARG002
        self.is_shut = True
        for _, future in self.calls.values():
            future.set_result(Ending(None, "SIGKILL", abandoned=True))
        self.calls.clear()

    def end(self, job: str, ending: Ending) -> None:
        self.calls.pop(job)[1].set_result(ending)

    def break_down(self, job: str, error: Exception) -> None:
        self.calls.pop(job)[1].set_exception(error)


@dataclass
class Rig:
    """Everything of one service under test."""

    root: Root
    preferences: Preferences
    clock: TurnedClock = field(default_factory=TurnedClock)
    events: NoEvents = field(default_factory=NoEvents)
    executor: PlayedExecutor = field(default_factory=PlayedExecutor)
    lines: io.StringIO = field(default_factory=io.StringIO)
    writing: dict[str, bool | None] = field(default_factory=dict)
    ended: list[Entry] = field(default_factory=list)
    engine: Engine = field(init=False)
    ledger: Ledger = field(init=False)

    def __post_init__(self) -> None:
        self.root.prepare()
        self.begin()

    def begin(self) -> None:
        """Start the service, for the first time or after it died."""
        self.executor = PlayedExecutor()
        self.ledger = Ledger(self.root.state / "ledger.db")
        around = Surroundings(
            self.clock,
            open_log(self.lines),
            self.events,
            Hands(self.executor, Bell()),
            open_for_writing=lambda path: self.writing.get(path.name, False),
            concluded=self.ended.append,
        )
        self.engine = Engine(self.root, self.preferences, self.ledger, around)
        self.engine.start()

    def die(self) -> None:
        """End without any farewell, as after SIGKILL."""
        self.ledger.close()

    # --- what happens outside -----------------------------------------------------------------

    def drop(self, path: str, content: bytes | None = None, frames: int = 1000) -> Path:
        """Put a file into the inbox; without content it is a small sound recording of its own."""
        target = self.root.inbox / path
        target.parent.mkdir(parents=True, exist_ok=True)
        if content is None:
            content = recording(frames, seed=path)
        target.write_bytes(content)
        return target

    def passes(self, seconds: float, step: float = 1.0) -> None:
        """Let time go by, with a pass every step."""
        for _ in range(round(seconds / step)):
            self.clock.turn(step)
            self.engine.one_pass()

    def take_in(self, seconds: float = 10.0) -> None:
        """Look at once, as after an event, and let everything settle."""
        self.engine.one_pass(woken=True)
        self.passes(seconds)

    # --- what workers do ----------------------------------------------------------------------

    def running(self) -> list[str]:
        return sorted(self.executor.calls)

    def verdict(self, job: str, verdict: str, sentence: str) -> None:
        write_progress(self.root.work / job, Progress("render", 0.5, verdict, sentence))

    def stage(self, job: str, *, audio: str = "", side: str = "A") -> None:
        """Do what a good worker does: one track, notes, a sealed stage, a result."""
        folder = self.root.work / job
        order = read_order(folder)
        stage = Stage(self.root, job, order.supersedes)
        stage.open()
        (track,) = stage.places([f"music/{job}.flac"])
        stage.path_of(track).write_bytes(b"a track of " + job.encode())
        sha256 = sha256_of(folder / order.parts[0])
        result = Result(
            "staged",
            verdict="good",
            sentence="A clean transfer.",
            artist="Marlow and the Tide Tables",
            title="Low Water",
            side=side,
            sha256=sha256,
            audio_sha256=audio or "audio of " + sha256,
            duration_s=1.5,
        )
        for path in filter(None, ("order.json", order.sheet, order.cover)):
            shutil.copyfile(folder / path, stage.notes / path.rpartition("/")[2])
        for where in (stage.notes, folder):
            write_result(where, result)
        masters = [
            Master(f"work/{job}/{part}", f"masters/{job}-{number}.wav", sha256_of(folder / part))
            for number, part in enumerate(order.parts)
        ]
        stage.seal(masters)

    def result(self, job: str, outcome: str, message: str = "", advice: str = "") -> None:
        write_result(self.root.work / job, Result(outcome, message, advice, duration_s=1.5))

    def end(self, job: str, *, code: int | None = 0, signal: str = "", tail: str = "") -> None:
        """The worker ends, and the service takes note."""
        self.executor.end(job, Ending(code, signal, tail=tail))
        self.engine.one_pass()

    # --- what can be seen ---------------------------------------------------------------------

    def events_logged(self, name: str) -> list[dict[str, Any]]:
        lines = [json.loads(line) for line in self.lines.getvalue().splitlines()]
        return [line for line in lines if line["event"] == name]

    def state(self, job: str) -> State | None:
        entry = self.ledger.get(job)
        return entry.state if entry else None

    def recordings(self) -> list[str]:
        """The hash of every recording, wherever it lies."""
        places = [self.root.inbox, self.root.work, self.root.held, self.root.quarantine]
        found = [p for place in places for p in place.rglob("*") if p.suffix in {".wav", ".flac"}]
        return sorted(sha256_of(p) for p in [*found, *self.root.masters.rglob("*.wav")])


def recording(frames: int = 1000, seed: str = "") -> bytes:
    """A small, valid WAV file: 44.1 kHz, 16 bits, stereo; other seeds give other samples."""
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        pattern = (seed.encode("utf-8", "replace") or b"x").ljust(4, b".")
        file.writeframes((pattern * (frames * 4 // len(pattern) + 1))[: frames * 4])
    return out.getvalue()


def rig_at(path: Path, **changes: Any) -> Rig:
    """A rig on a fresh root below `path`, with one worker unless the test wants more."""
    path.mkdir(parents=True, exist_ok=True)
    preferences = replace(
        Preferences(
            root=str(path / "root"),
            free_space_gb=0.0,
            settle_s=3.0,
            settle_unseen_s=30.0,
            workers=1,
        ),
        **changes,
    )
    return Rig(Root(path / "root"), preferences)


def only_running(rig: Rig) -> str:
    (job,) = rig.running()
    return job
