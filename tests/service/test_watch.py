"""The service as a process: `sidekeep watch` with signals, systemd's socket and real events."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

import pytest

STOPS_WITHIN_S = 10.0


def watch_with(settings: Path) -> list[str]:
    return [sys.executable, "-m", "sidekeep.cli.main", "watch", "--settings", str(settings)]


class Watched:
    """A running service and what it logs."""

    def __init__(self, home: Path) -> None:
        self.root = home / "root"
        self.rules = home / "rules"
        self.rules.mkdir()
        settings = home / "settings.yaml"
        settings.write_text(
            f"root: {self.root}\nrules: {self.rules}\nsettle: 1 s\nsettle on shares: 1 s\n"
        )
        self.ear = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.ear.bind(str(home / "notify"))
        self.heard: list[str] = []
        self.listener = threading.Thread(target=self._listen, daemon=True)
        self.listener.start()
        self.command = watch_with(settings)
        environment = {
            **os.environ,
            "NOTIFY_SOCKET": str(home / "notify"),
            "WATCHDOG_USEC": "20000000",
        }
        self.process = subprocess.Popen(
            self.command, stderr=subprocess.PIPE, text=True, env=environment
        )

    def until(self, event: str) -> dict[str, Any]:
        """Read the log up to an event; the service is ended if it does not come in a minute."""
        assert self.process.stderr is not None
        guard = threading.Timer(60, self.process.kill)
        guard.start()
        try:
            return self._until(event, self.process.stderr)
        finally:
            guard.cancel()

    @staticmethod
    def _until(event: str, lines: IO[str]) -> dict[str, Any]:
        for line in lines:
            told: dict[str, Any] = json.loads(line)
            if told["event"] == event:
                return told
        raise AssertionError(f"the service ended without {event}")

    def _listen(self) -> None:
        """Be systemd: hear everything, up to the farewell."""
        while not self.heard or self.heard[-1] not in {"STOPPING=1", "END"}:
            self.heard.append(self.ear.recv(4096).decode())

    def end(self) -> None:
        self.process.kill()
        self.process.wait()
        assert self.process.stderr is not None
        self.process.stderr.close()
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as plug:
            plug.sendto(b"END", self.ear.getsockname())
        self.listener.join()
        self.ear.close()


@pytest.fixture
def watched(tmp_path: Path) -> Iterator[Watched]:
    service = Watched(tmp_path)
    yield service
    service.end()


def test_a_life_of_the_service(watched: Watched) -> None:
    watched.until("service.online")
    # an event wakes it, not the timer: that would take five minutes
    (watched.root / "new.part").write_bytes(b"this is no audio")
    (watched.root / "new.part").rename(watched.root / "inbox" / "tale.wav")
    (watched.root / "inbox" / "tale.wav").unlink()
    (watched.root / "inbox" / "notes.mp3").write_bytes(b"ID3\x03" + bytes(2000))
    quarantined = watched.until("job.quarantined")
    assert quarantined["file"] == "notes.mp3"

    # no numeric library in the service itself
    maps = Path(f"/proc/{watched.process.pid}/maps").read_text()
    assert not any(name in maps for name in ("numpy", "libsndfile", "libopenblas"))

    # a second service on the same root says so and leaves
    second = subprocess.run(
        watched.command, capture_output=True, text=True, check=False, timeout=30
    )
    assert second.returncode == 69
    assert str(watched.process.pid) in second.stderr

    # wrong rule sets are refused, the old ones stay
    (watched.rules / "mine.yaml").write_text("trimm: off\n")
    watched.process.send_signal(signal.SIGHUP)
    refused = watched.until("rules.refused")
    assert "mine.yaml:1:1" in refused["why"]
    assert "trim" in refused["why"]
    (watched.rules / "mine.yaml").write_text("description: mine\n")
    watched.process.send_signal(signal.SIGHUP)
    assert watched.until("rules.reloaded")["rule_sets"] > 1

    began = time.monotonic()
    watched.process.send_signal(signal.SIGTERM)
    watched.until("service.stopped")
    assert watched.process.wait() == 0
    assert time.monotonic() - began < STOPS_WITHIN_S
    watched.listener.join()
    told = watched.heard
    assert told.count("READY=1") == 3  # at the start and after two reloads
    assert any(message.startswith("RELOADING=1\nMONOTONIC_USEC=") for message in told)
    assert "WATCHDOG=1" in told
    assert told[-1] == "STOPPING=1"
    assert told.index("READY=1") > told.index("WATCHDOG=1")  # ready only after a whole pass
    assert any("1 quarantined" in message for message in told)


def test_wrong_rule_sets_at_the_start_end_the_service(tmp_path: Path) -> None:
    rules = tmp_path / "rules"
    rules.mkdir()
    (rules / "mine.yaml").write_text("trimm: off\n")
    settings = tmp_path / "settings.yaml"
    settings.write_text(f"root: {tmp_path / 'root'}\nrules: {rules}\n")
    command = watch_with(settings)
    ended = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert ended.returncode == 78
    assert "mine.yaml:1:1" in ended.stderr
