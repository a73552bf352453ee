"""A channel that is missing or weak, and noise on one side only."""

from __future__ import annotations

from sidekeep.findings.scene import Scene, channel_name, decibels
from sidekeep.model import Finding, Severity

_NOISE_SHARE_DB = 6.0  # hard-panned music leaves the groove noise of both walls alike
_PROGRAMME_ABOVE_NOISE_DB = 12.0


def find(
    scene: Scene, *, dead_db: float, weak_db: float, one_sided_db: float
) -> tuple[Finding, ...]:
    """Compare the channels' groove noise and programme.

    Early stereo with everything on one side still has the groove noise of both walls; a broken lead
    has neither programme nor groove noise.

    Args:
        scene: the side.
        dead_db: how far a channel lies under the other, in programme and noise, to be called dead.
        weak_db: the same for weak.
        one_sided_db: how far one channel's groove noise lies above the other's.
    """
    if scene.seen.channels != 2:
        return ()
    noise = [decibels(power) for power in scene.groove_power_without_rumble()]
    music = [decibels(power) for power in scene.programme_power()]
    noise_db, music_db = noise[0] - noise[1], music[0] - music[1]
    numbers = {
        "programme_difference_db": round(music_db, 1),
        "noise_difference_db": round(noise_db, 1),
    }
    span = scene.side.programme
    low = 1 if music_db > 0 else 0
    behind, noise_behind = abs(music_db), noise_db if low == 1 else -noise_db
    name = channel_name(low)
    if behind >= dead_db and noise_behind >= min(dead_db, _NOISE_SHARE_DB * 2):
        detail = f"The {name} channel is missing: {behind:.0f} dB under the other, noise included."
        return (Finding("dead channel", Severity.AGAIN, span, detail, numbers),)
    if behind >= weak_db and noise_behind >= _NOISE_SHARE_DB:
        detail = f"The {name} channel is weak: {behind:.0f} dB under the other, noise included."
        return (Finding("weak channel", Severity.AGAIN, span, detail, numbers),)
    loud = 0 if noise_db > 0 else 1
    excess = abs(noise_db) - abs(music_db if (music_db > 0) == (noise_db > 0) else 0.0)
    if excess >= one_sided_db:
        name = channel_name(loud)
        detail = f"The {name} channel is far noisier: its groove noise lies {excess:.0f} dB higher."
        return (Finding("one-sided noise", Severity.LISTEN, span, detail, numbers),)
    return ()
