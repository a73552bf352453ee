"""What one worker may use, from the size of its recording."""

from __future__ import annotations

from dataclasses import dataclass

MIB = 1 << 20


@dataclass(frozen=True, slots=True)
class Limits:
    """Bounds of one worker process (setrlimit(2)); `wall_s` is kept by its parent."""

    memory_bytes: int
    wall_s: float
    cpu_s: int
    file_bytes: int
    open_files: int = 128


def limits_for(
    recording_bytes: int, memory_bytes: int, cores: int, longest_s: float | None = None
) -> Limits:
    """Bound a worker generously: a job that is ten times slower than expected still passes.

    On two cores a second of wall time deals with some 50 MB of recording; a tenth of that, and
    never less than five minutes, tells a hang from a slow machine. A copy may be larger than the
    recording where a 16-bit side is delivered with more bits and a higher rate (at most 24/16 x
    192/44.1, about seven times).

    Args:
        recording_bytes: size of all parts.
        memory_bytes: most address space.
        cores: processor cores that a worker may keep busy.
        longest_s: the time limit where a person set one.
    """
    wall_s = longest_s or max(300.0, recording_bytes / (5 * MIB))
    return Limits(
        memory_bytes=memory_bytes,
        wall_s=wall_s,
        cpu_s=int(wall_s * max(1, cores)),
        file_bytes=max(256 * MIB, 8 * recording_bytes),
    )


def space_needed_bytes(recording_bytes: int) -> int:
    """Free space a job must find before it starts: 2.5 times the recording, and 5 % of that.

    As mail queues refuse mail below a multiple of the largest message (common practice, no source).
    """
    return int(2.5 * 1.05 * recording_bytes)
