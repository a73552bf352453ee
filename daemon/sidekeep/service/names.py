"""What a file in the inbox is by its name: recording, sheet, cover, transfer, junk, none of ours.

A name decides only whether we look at a file at all. What the file really holds is found out by
reading it.
"""

from __future__ import annotations

import re
from enum import StrEnum
from pathlib import PurePosixPath


class Kind(StrEnum):
    """What a file in the inbox is to us."""

    RECORDING = "recording"
    SHEET = "sheet"
    COVER = "cover"
    TRANSFER = "transfer"
    JUNK = "junk"
    OTHER = "other"


ACCEPTED_SUFFIXES = frozenset(
    {".wav", ".wave", ".bwf", ".rf64", ".w64", ".aif", ".aiff", ".aifc", ".caf", ".flac"}
)
# Lossy files are taken too: they go to quarantine with a reason instead of lying here unexplained.
LOSSY_SUFFIXES = frozenset(
    {".mp3", ".mp2", ".m4a", ".mp4", ".aac", ".ogg", ".oga", ".opus", ".wma", ".mpc"}
)
SHEET_SUFFIXES = frozenset({".yaml", ".yml"})
COVER_SUFFIXES = frozenset({".jpg", ".jpeg", ".png"})
SHARED_SHEET_STEM = "record"
COVER_STEMS = frozenset({"cover", "front", "folder"})

# Names that copying programs give a file until it is complete (common practice, no source).
_TRANSFER = re.compile(
    r"\.(part|partial|filepart|crdownload|download|tmp|temp|upload|incomplete|!.*)$|~$|^~\$|^\.syncthing\.",
    re.IGNORECASE,
)
# Until a copy is complete, rsync writes beside the target: a dot, its name, a dot, six letters
# (rsync(1), --inplace).
_RSYNC = re.compile(r"^\..+\.[A-Za-z0-9]{6}$")
_JUNK = re.compile(r"^(\..*|thumbs\.db|desktop\.ini|ehthumbs\.db|icon\r)$", re.IGNORECASE)
_JUNK_FOLDER = re.compile(
    r"^(\..*|@eadir|#recycle|lost\+found|\$recycle\.bin|system volume information|__macosx)$",
    re.IGNORECASE,
)


def kind_of(name: str) -> Kind:
    """Tell from a file's name what it is to us."""
    if _TRANSFER.search(name) or _RSYNC.match(name):
        return Kind.TRANSFER
    if _JUNK.match(name):
        return Kind.JUNK
    suffix = PurePosixPath(name).suffix.lower()
    if suffix in ACCEPTED_SUFFIXES or suffix in LOSSY_SUFFIXES:
        return Kind.RECORDING
    if suffix in SHEET_SUFFIXES:
        return Kind.SHEET
    if suffix in COVER_SUFFIXES:
        return Kind.COVER
    return Kind.OTHER


def is_junk_folder(name: str) -> bool:
    """Tell whether a folder belongs to a file manager, a sync program or the system."""
    return _JUNK_FOLDER.match(name) is not None
