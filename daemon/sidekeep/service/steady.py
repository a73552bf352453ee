"""What a process that runs for years does once, at its start, so that its memory then stays as it is."""

from __future__ import annotations

import gc
import sys

_NAMES = 30_000  # with those of the libraries they fill the table once, some 2 MB in all


def settle_memory() -> None:
    """Have the interpreter take at once the steps in memory that it would take some hours later.

    CPython enters each part of each path in its table of interned names and strikes it out again; the
    table doubles when it has been filled up, whatever was struck out. And its collector looks at all
    objects only when a quarter of them is new, which takes the longer the more was loaded at first;
    what is frozen does not count (`gc.freeze`). CPython 3.12 alone never strikes out a name; there
    nothing is gained.
    """
    names = [sys.intern(f"name {number}") for number in range(_NAMES)]
    del names
    gc.collect()
    gc.freeze()
