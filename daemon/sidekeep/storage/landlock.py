"""Landlock: a process gives up, for itself and its children and for good, what it will not need.

See landlock(7) and linux/landlock.h. A kernel without it is no error: the answer is version 0. What
Landlock does not govern at all is looking at a file's size and times, and changing its mode.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import stat
from collections.abc import Iterable
from enum import IntFlag
from pathlib import Path
from typing import Any

CONFINED_VARIABLE = "SIDEKEEP_CONFINED"  # tells a process, for its log, what holds it

_CREATE_RULESET, _ADD_RULE, _RESTRICT_SELF = 444, 445, 446  # asm-generic/unistd.h
_ASK_VERSION = 1  # LANDLOCK_CREATE_RULESET_VERSION
_PATH_BENEATH = 1  # LANDLOCK_RULE_PATH_BENEATH
_PR_SET_NO_NEW_PRIVS = 38  # linux/prctl.h
_O_PATH = getattr(os, "O_PATH", 0)


class Right(IntFlag):
    """What may be done with files and folders (LANDLOCK_ACCESS_FS_*)."""

    EXECUTE = 1 << 0
    WRITE_FILE = 1 << 1
    READ_FILE = 1 << 2
    LIST = 1 << 3
    REMOVE_FOLDER = 1 << 4
    REMOVE_FILE = 1 << 5
    MAKE_CHARACTER_DEVICE = 1 << 6
    MAKE_FOLDER = 1 << 7
    MAKE_FILE = 1 << 8
    MAKE_SOCKET = 1 << 9
    MAKE_PIPE = 1 << 10
    MAKE_BLOCK_DEVICE = 1 << 11
    MAKE_LINK = 1 << 12
    REFER = 1 << 13
    TRUNCATE = 1 << 14
    CONTROL_DEVICE = 1 << 15


READ = Right.READ_FILE | Right.LIST
RUN = READ | Right.EXECUTE
CHANGE = (
    READ
    | Right.WRITE_FILE
    | Right.TRUNCATE
    | Right.MAKE_FILE
    | Right.MAKE_FOLDER
    | Right.REMOVE_FILE
    | Right.REMOVE_FOLDER
    | Right.REFER
)
_OF_FILES = (
    Right.EXECUTE | Right.WRITE_FILE | Right.READ_FILE | Right.TRUNCATE | Right.CONTROL_DEVICE
)
_SINCE = {Right.REFER: 2, Right.TRUNCATE: 3, Right.CONTROL_DEVICE: 5}
_TCP_SINCE, _ALL_TCP = 4, 0b11  # bind and connect
_SCOPES_SINCE, _ALL_SCOPES = 6, 0b11  # abstract sockets and signals


class _Ruleset(ctypes.Structure):
    _fields_ = (("files", ctypes.c_uint64), ("tcp", ctypes.c_uint64), ("scopes", ctypes.c_uint64))


class _PathBeneath(ctypes.Structure):
    _pack_ = 1
    _fields_ = (("allowed", ctypes.c_uint64), ("parent", ctypes.c_int32))


def version() -> int:
    """The kernel's Landlock version; 0 where there is none or it may not be used."""
    try:
        return int(_call(_CREATE_RULESET, None, 0, _ASK_VERSION))
    except OSError:
        return 0


def confined_by() -> str:
    """What holds this process, in words, as whoever started it has said."""
    return os.environ.get(CONFINED_VARIABLE, "nothing")


def confine(grants: Iterable[tuple[Path, Right]]) -> int:
    """Allow this process and all that comes of it these things and no others.

    No TCP port may be bound or connected to, no signal sent and no abstract socket reached outside of
    it, as far as the kernel knows of these. Files that are open stay open.

    Args:
        grants: paths, and what may be done with them and all below; those that do not exist count
            for nothing.

    Returns:
        The version in force; 0 when the kernel has none, and nothing was given up.

    Raises:
        OSError: the kernel has it, but refused.
    """
    known = version()
    if known == 0:
        return 0
    handled = Right(0)
    for right in Right:
        if known >= _SINCE.get(right, 1):
            handled |= right
    ruleset = _Ruleset(
        handled,
        _ALL_TCP if known >= _TCP_SINCE else 0,
        _ALL_SCOPES if known >= _SCOPES_SINCE else 0,
    )
    size = 8 * (1 + (known >= _TCP_SINCE) + (known >= _SCOPES_SINCE))
    rules = int(_call(_CREATE_RULESET, ctypes.byref(ruleset), size, 0))
    try:
        for path, rights in grants:
            with contextlib.suppress(FileNotFoundError, NotADirectoryError):
                _allow(rules, path, rights & handled)
        ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0)
        _call(_RESTRICT_SELF, rules, 0)
    finally:
        os.close(rules)
    return known


def _allow(rules: int, path: Path, rights: Right) -> None:
    opened = os.open(path, _O_PATH | os.O_CLOEXEC)
    try:
        if not stat.S_ISDIR(os.fstat(opened).st_mode):
            rights &= _OF_FILES
        if not rights:
            return
        beneath = _PathBeneath(rights, opened)
        _call(_ADD_RULE, rules, _PATH_BENEATH, ctypes.byref(beneath), 0)
    finally:
        os.close(opened)


def _call(number: int, *arguments: Any) -> int:
    """Make a system call that the C library does not offer.

    Raises:
        OSError: it failed.
    """
    words = [ctypes.c_long(word) if isinstance(word, int) else word for word in arguments]
    result = ctypes.CDLL(None, use_errno=True).syscall(number, *words)
    if result < 0:
        error = ctypes.get_errno()
        raise OSError(error, os.strerror(error))
    return int(result)
