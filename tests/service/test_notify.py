"""Datagrams to systemd."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from sidekeep.service.notify import Notifier


@pytest.fixture
def ear(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as plug:
        plug.bind(str(tmp_path / "notify"))
        plug.setblocking(False)
        yield plug


def heard(ear: socket.socket) -> list[str]:
    messages = []
    while True:
        try:
            messages.append(ear.recv(4096).decode())
        except BlockingIOError:
            return messages


def test_what_systemd_hears(ear: socket.socket) -> None:
    notifier = Notifier({"NOTIFY_SOCKET": ear.getsockname(), "WATCHDOG_USEC": "60000000"})
    notifier.ready()
    notifier.alive()
    notifier.reloading(1.5)
    notifier.stopping()
    assert heard(ear) == [
        "READY=1",
        "WATCHDOG=1",
        "RELOADING=1\nMONOTONIC_USEC=1500000",
        "STOPPING=1",
    ]
    assert notifier.alive_every_s == 30.0


def test_a_status_is_one_line_and_said_once(ear: socket.socket) -> None:
    notifier = Notifier({"NOTIFY_SOCKET": ear.getsockname()})
    notifier.status("3 queued,\nREADY=1 is no line of its own")
    notifier.status("3 queued,\nREADY=1 is no line of its own")
    notifier.status("idle")
    assert heard(ear) == ["STATUS=3 queued, READY=1 is no line of its own", "STATUS=idle"]


def test_without_a_watchdog_there_is_no_sign_of_life(ear: socket.socket) -> None:
    address = ear.getsockname()
    Notifier({"NOTIFY_SOCKET": address}).alive()
    other = {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "1000", "WATCHDOG_PID": "1"}
    assert Notifier(other).alive_every_s is None
    Notifier(other).alive()
    assert heard(ear) == []


def test_an_abstract_socket_is_reached() -> None:
    name = f"sidekeep-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as plug:
        plug.bind("\0" + name)
        Notifier({"NOTIFY_SOCKET": "@" + name}).ready()
        assert plug.recv(100) == b"READY=1"


def test_nobody_listening_is_no_error(tmp_path: Path) -> None:
    Notifier({}).ready()
    Notifier({"NOTIFY_SOCKET": str(tmp_path / "gone")}).ready()
