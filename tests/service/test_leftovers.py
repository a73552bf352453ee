"""Sheets that serve a whole folder: which of their sides are still to be played."""

from __future__ import annotations

from pathlib import Path

import pytest

from sidekeep.service.inbox import Scan, Seen, Stamp
from sidekeep.service.ledger import Entry, Ledger
from sidekeep.service.leftovers import SharedSheets
from sidekeep.service.names import Kind
from sidekeep.service.states import State
from sidekeep.storage.folders import Root

SHEET = "low/record.yaml"
RECORD = "Marlow – Low Water"


@pytest.mark.parametrize(
    ("jobs", "missing"),
    [
        ((), {}),
        ((("A", State.FILED),), {RECORD: ("B", "C")}),
        ((("A", State.HELD), ("c", State.FILED)), {RECORD: ("B",)}),
        ((("A B", State.FILED),), {RECORD: ("C",)}),
        ((("A B", State.FILED), ("C", State.HELD)), {}),
        ((("A", State.QUARANTINED),), {}),
    ],
)
def test_sides_that_no_job_holds_are_missing(
    tmp_path: Path, jobs: tuple[tuple[str, State], ...], missing: dict[str, tuple[str, ...]]
) -> None:
    root = Root(tmp_path)
    (root.inbox / "low").mkdir(parents=True)
    text = "artist: Marlow\ntitle: Low Water\nsides:\n" + "".join(
        f"  {side}: {{tracks: [Ebb]}}\n" for side in "ABC"
    )
    (root.inbox / SHEET).write_text(text)
    ledger = Ledger(tmp_path / "ledger.db")
    for number, (side, state) in enumerate(jobs):
        ledger.put(Entry(f"job {number}", state, side=side, sheet=SHEET))
    sheets = SharedSheets(root, ledger)
    removed = sheets.tidy(Scan(files=[Seen(SHEET, Kind.SHEET, Stamp(1, 1, 1, 1))]))
    ledger.close()
    assert sheets.missing == missing
    assert removed == []
    assert (root.inbox / SHEET).exists()
