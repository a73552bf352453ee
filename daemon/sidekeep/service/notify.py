"""Talking to systemd: one datagram of `KEY=value` lines to the socket it names (sd_notify(3))."""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping

LONGEST_SEND_S = 0.5


class Notifier:
    """Says ready, reloading, stopping, status and alive; says nothing when nobody listens."""

    def __init__(self, environment: Mapping[str, str] | None = None) -> None:
        values = os.environ if environment is None else environment
        self._address = values.get("NOTIFY_SOCKET", "")
        self._last_status = ""
        watched = values.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        self._watchdog_us = int(values.get("WATCHDOG_USEC", "0") or 0) if watched else 0

    @property
    def alive_every_s(self) -> float | None:
        """How often systemd wants a sign of life: half its limit (sd_watchdog_enabled(3))."""
        return self._watchdog_us / 2e6 if self._watchdog_us else None

    def ready(self) -> None:
        """Start-up or reload is complete."""
        self._send("READY=1")

    def reloading(self, monotonic_s: float) -> None:
        """Reload begins; `ready` must follow."""
        self._send(f"RELOADING=1\nMONOTONIC_USEC={int(monotonic_s * 1e6)}")

    def stopping(self) -> None:
        """Shut-down begins."""
        self._send("STOPPING=1")

    def alive(self) -> None:
        """A pass of the loop was completed."""
        if self._watchdog_us:
            self._send("WATCHDOG=1")

    def status(self, line: str) -> None:
        """Show one line in `systemctl status`; sent only when it changed."""
        if line != self._last_status:
            self._last_status = line
            self._send("STATUS=" + " ".join(line.split()))

    def _send(self, message: str) -> None:
        if not self._address:
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as plug:
            plug.settimeout(LONGEST_SEND_S)  # a listener that is stuck must not hold us up
            try:
                plug.connect(address)
                plug.send(message.encode("utf-8", "replace"))
            except OSError:
                return  # nobody listens any more; the service goes on without
