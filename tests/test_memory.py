"""What a job remembers may be spoilt; then it is measured again."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest

from sidekeep.memory import MEMORY_NAME, recall


def stored() -> bytes:
    out = io.BytesIO()
    np.savez(out, levels=np.arange(100.0), facts=np.asarray("{}"))
    return out.getvalue()


WHOLE = stored()


@pytest.mark.parametrize(
    "content",
    [
        b"",
        bytes(4096),
        WHOLE[:100],
        WHOLE[:-10],
        WHOLE.replace(b"PK\x01\x02\x14\x03\x14\x00\x00\x00", b"PK\x01\x02\x14\x03\x14\x00\x01\x00"),
        WHOLE.replace(b"PK\x01\x02\x14\x03\x14\x00", b"PK\x01\x02\x14\x03\xff\x00"),
        WHOLE,
    ],
    ids=["empty", "zeros", "begun", "cut", "encrypted", "too new", "from elsewhere"],
)
def test_what_is_spoilt_is_not_remembered(tmp_path: Path, content: bytes) -> None:
    (tmp_path / MEMORY_NAME).write_bytes(content)
    assert recall(tmp_path, cast("Any", None)) is None


def test_nothing_is_remembered_of_nothing(tmp_path: Path) -> None:
    assert recall(tmp_path, cast("Any", None)) is None
