"""Roots with many jobs in them, made without doing any."""

from __future__ import annotations

import shutil

from benchmarks.material import OUT
from sidekeep.storage.folders import Root
from sidekeep.storage.jobfiles import Result, write_result
from sidekeep.storage.order import Order, write_order

FILED, HELD = 1_000, 50
MANY_FILED = 10_000


def root_with(filed: int, held: int) -> Root:
    """Give a root with so many filed and held jobs: the folders alone, so that its ledger is built."""
    root = Root(OUT / f"root-{filed}-{held}")
    shutil.rmtree(root.path, ignore_errors=True)
    OUT.mkdir(parents=True, exist_ok=True)
    root.prepare()
    for number in range(filed):
        _job(root, f"20260101-low-water-{number:05}", number, "staged")
    for number in range(held):
        _job(root, f"20260102-neap-tide-{number:05}", filed + number, "held")
    return root


def _job(root: Root, name: str, number: int, outcome: str) -> None:
    place = root.jobs if outcome == "staged" else root.held
    folder = place / name
    folder.mkdir()
    order = Order(name, f"low water {number}/A.wav", f"low water {number}", ("recording/A.wav",))
    write_order(folder, order)
    result = Result(
        outcome,
        "" if outcome == "staged" else "the sheet names five tracks, four were heard",
        verdict="good",
        sentence="A good transfer.",
        artist="Marlow and the Tide Tables",
        title=f"Low Water {number}",
        side="A",
        sha256=f"{number:064x}",
        audio_sha256=f"{number + 1_000_000:064x}",
        duration_s=1200.0,
    )
    write_result(folder, result)
