"""A trial run: a small composed side goes through a root of its own, on the same disk."""

from __future__ import annotations

import math
import random
import shutil
import sys
import tempfile
import wave
from array import array
from dataclasses import replace
from pathlib import Path

from sidekeep.errors import MachineFault
from sidekeep.preferences import Preferences
from sidekeep.service.assembly import Wishes, assemble
from sidekeep.service.drain import drain
from sidekeep.service.ledger import Entry
from sidekeep.service.logs import open_log
from sidekeep.service.readiness import Settle

RATE_HZ = 44_100
LEAD_S, TONE_S = 4.0, 12.0
PATIENCE_S = 10.0


def try_out(preferences: Preferences) -> Entry:
    """Send a test recording through the whole service; nothing of it is kept.

    Returns:
        What became of it: filed or held when all works.

    Raises:
        MachineFault: it did not come to an end.
        OSError: the folder for the trial cannot be made.
    """
    state = Path(preferences.root) / "state"
    home = Path(tempfile.mkdtemp(prefix="trial-", dir=state))
    ended: list[Entry] = []
    try:
        trial = replace(preferences, root=str(home / "root"), free_space_gb=0.0)
        wishes = Wishes(Settle(0.0, 0.0), open_log(silent=True), concluded=ended.append)
        with assemble(trial, wishes) as service:
            write_side(home / "root" / "inbox" / "Trial.wav")
            drain(service, PATIENCE_S)
    finally:
        shutil.rmtree(home, ignore_errors=True)
    if not ended:
        raise MachineFault("The test recording did not come to an end.", "See: sidekeep watch")
    return ended[-1]


def write_side(path: Path) -> None:
    """Write a 16-bit stereo WAV: groove noise, two tones that fade in and out, groove noise."""
    noise = random.Random(1)  # noqa: S311  (groove noise, not a secret)
    samples = array("h")
    for number in range(int((2 * LEAD_S + TONE_S) * RATE_HZ)):
        time_s = number / RATE_HZ - LEAD_S
        inside = 0.0 <= time_s < TONE_S
        envelope = min(1.0, time_s, TONE_S - time_s) if inside else 0.0
        tone = envelope * (
            math.sin(2 * math.pi * 220.0 * time_s) + math.sin(2 * math.pi * 331.0 * time_s)
        )
        value = 6000.0 * tone
        samples.append(int(value + noise.gauss(0.0, 20.0)))
        samples.append(int(value + noise.gauss(0.0, 20.0)))
    if sys.byteorder == "big":
        samples.byteswap()
    with wave.open(str(path), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes(samples.tobytes())
