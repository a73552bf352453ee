"""A sheet that comes after its recording: the held job that lacked it goes on with it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from sidekeep.service.inbox import Scan, Seen
from sidekeep.service.ledger import Entry
from sidekeep.service.names import SHARED_SHEET_STEM, Kind
from sidekeep.storage.durable import write_atomically
from sidekeep.storage.faults import faults
from sidekeep.storage.folders import Root
from sidekeep.storage.order import read_order, write_order
from sidekeep.storage.quarantine import take_back

_LARGEST_BYTES = 1 << 20


def hand_over(
    root: Root, scan: Scan, held: Iterable[Entry], settled: Callable[[Seen], bool]
) -> list[tuple[str, str]]:
    """Give sheets in the inbox to held jobs that have none, and put those back to work.

    Returns:
        Pairs of job and sheet path.

    Raises:
        MachineFault: a sheet or order cannot be written.
        Refused: a person moved the job away meanwhile.
        OSError: a sheet cannot be read.
    """
    sheets = [s for s in scan.files if s.kind is Kind.SHEET and settled(s)]
    handed = []
    for entry in held if sheets else ():
        sheet = next((s for s in sheets if _belongs(s, entry.origin)), None)
        if sheet is not None and _give(root, entry.job, sheet):
            handed.append((entry.job, sheet.path))
    return handed


def _belongs(sheet: Seen, origin: str) -> bool:
    folder, _, name = origin.rpartition("/")
    stems = {name.rpartition(".")[0].casefold(), *([SHARED_SHEET_STEM] if folder else [])}
    return sheet.folder == folder and sheet.stem.casefold() in stems


def _give(root: Root, job: str, sheet: Seen) -> bool:
    home = root.held / job
    order = read_order(home)
    path = root.inbox / sheet.path
    if order.sheet is not None or sheet.stamp.size > _LARGEST_BYTES or path.is_symlink():
        return False
    data = path.read_bytes()
    with faults("writing", home):
        (home / "sheet").mkdir(exist_ok=True)
        write_atomically(home / "sheet" / sheet.name, data)
    # This brings the way to the sheet to the disk as well.
    write_order(home, replace(order, sheet=f"sheet/{sheet.name}", plan=None, attempt=1))
    take_back(root, job)
    if sheet.stem.casefold() != SHARED_SHEET_STEM:
        path.unlink()
    return True
