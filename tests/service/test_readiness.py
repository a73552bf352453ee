"""The signs that a recording is complete, one by one and together."""

from __future__ import annotations

from pathlib import Path

import pytest

from service_rig import recording
from sidekeep.service.inbox import Seen, Stamp
from sidekeep.service.names import Kind
from sidekeep.service.readiness import UNFINISHED_S, Gate, Settle, Standing, header_finished

SEEN = Seen("A.wav", Kind.RECORDING, Stamp(1, 2, 3, 4))
SETTLE = Settle(seen_s=3.0, unseen_s=30.0)
WHOLE = recording()


@pytest.mark.parametrize(
    ("quiet_s", "writing", "finished", "standing"),
    [
        (2.9, False, True, Standing.CHANGING),
        (3.0, False, True, Standing.READY),
        (3.0, True, True, Standing.OPEN),
        (1e6, True, True, Standing.OPEN),
        (29.9, None, True, Standing.CHANGING),
        (30.0, None, True, Standing.READY),
        (29.9, False, None, Standing.CHANGING),
        (30.0, False, None, Standing.READY),
        (30.0, False, False, Standing.UNFINISHED),
        (UNFINISHED_S, False, False, Standing.ABANDONED),
        (UNFINISHED_S, True, False, Standing.OPEN),
        (UNFINISHED_S, None, False, Standing.ABANDONED),
    ],
)
def test_the_signs_together(
    quiet_s: float, writing: bool | None, finished: bool | None, standing: Standing
) -> None:
    gate = Gate(Path("inbox"), SETTLE, lambda _: writing, lambda _: finished)
    assert gate.judge(SEEN, quiet_s) is standing


def test_a_header_is_read_once_for_each_state_of_the_file() -> None:
    read: list[Path] = []

    def finished(path: Path) -> bool:
        read.append(path)
        return True

    gate = Gate(Path("inbox"), SETTLE, lambda _: False, finished)
    for _ in range(5):
        gate.judge(SEEN, 10.0)
    assert read == [Path("inbox/A.wav")]
    gate.keep_only(set())
    gate.judge(SEEN, 10.0)
    assert len(read) == 2


def test_a_file_that_still_changes_is_not_even_opened() -> None:
    def never(_: Path) -> bool:
        raise AssertionError

    assert Gate(Path("inbox"), SETTLE, never, never).judge(SEEN, 0.0) is Standing.CHANGING


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (WHOLE, True),
        (WHOLE[:-1], False),
        (WHOLE[:44], False),
        (WHOLE[:30], False),  # cut within its header
        (b"", False),
        (bytes(5000), False),  # space that was set aside
        (b"bread, milk, lamp oil", None),
    ],
    ids=["whole", "a byte short", "header alone", "half a header", "empty", "zeros", "no audio"],
)
def test_what_a_header_tells(tmp_path: Path, content: bytes, *, told: bool | None) -> None:
    path = tmp_path / "A.wav"
    path.write_bytes(content)
    assert header_finished(path) is told
