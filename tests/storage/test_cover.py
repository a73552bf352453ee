"""Pictures are looked at, never decoded; what is too large or no picture is refused with a reason."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from sidekeep.errors import NeedsPerson
from sidekeep.storage.cover import LARGEST_BYTES, read_cover
from storage.test_tags import png


def jpeg(width: int, height: int, components: int = 3, before: bytes = b"") -> bytes:
    frame = struct.pack(">BHHB", 8, height, width, components) + bytes(3 * components)
    sof = b"\xff\xc0" + struct.pack(">H", len(frame) + 2) + frame
    app0 = b"\xff\xe0" + struct.pack(">H", 16) + b"JFIF\0" + bytes(9)
    return b"\xff\xd8" + app0 + before + sof + b"\xff\xda\0\x02\xff\xd9"


def read(folder: Path, data: bytes) -> tuple[str, int, int, int]:
    (folder / "cover").write_bytes(data)
    cover = read_cover(folder / "cover")
    assert cover.data == data
    return cover.mime, cover.width, cover.height, cover.depth


def test_type_size_and_depth_are_read(tmp_path: Path) -> None:
    assert read(tmp_path, png(300, 200)) == ("image/png", 300, 200, 24)
    assert read(tmp_path, jpeg(640, 480)) == ("image/jpeg", 640, 480, 24)
    assert read(tmp_path, jpeg(640, 480, components=1)) == ("image/jpeg", 640, 480, 8)


def test_filler_bytes_and_tables_before_the_frame_are_skipped(tmp_path: Path) -> None:
    tables = b"\xff\xff\xff\xc4" + struct.pack(">H", 20) + bytes(18)
    assert read(tmp_path, jpeg(10, 20, before=tables))[1:3] == (10, 20)


REFUSED = {
    "bomb": (png(60_000, 60_000), "60000 x 60000"),
    "jpeg bomb": (jpeg(65_500, 65_500), "65500"),
    "no size": (png(0, 10), "0 x 10"),
    "text": (b"artist: Marlow", "neither"),
    "html": (b"<svg onload=alert(1)>", "neither"),
    "cut short": (png()[:20], "damaged"),
    "no frame": (b"\xff\xd8\xff\xe0\0\x10", "damaged"),
    "nothing": (b"", "neither"),
    "huge": (png() + bytes(LARGEST_BYTES), "larger than"),
    "endless": (b"\xff\xd8" + b"\xff\xe0\0\x02" * 5000, "0 x 0"),
}


@pytest.mark.parametrize(("data", "why"), REFUSED.values(), ids=REFUSED)
def test_what_cannot_be_embedded_is_refused(tmp_path: Path, data: bytes, why: str) -> None:
    with pytest.raises(NeedsPerson, match=why):
        read(tmp_path, data)


def test_a_link_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "real.png").write_bytes(png())
    (tmp_path / "cover.png").symlink_to(tmp_path / "real.png")
    with pytest.raises(Exception, match="symbolic"):
        read_cover(tmp_path / "cover.png")
