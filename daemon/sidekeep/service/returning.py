"""Putting jobs back to work at a person's word: held ones, those in quarantine, filed ones.

The service finds what lies in `work/` by itself; these functions may run beside it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

from sidekeep.errors import Refused
from sidekeep.planfile import read_corrections
from sidekeep.service.conclusions import forget_result
from sidekeep.sheets import read_sheet
from sidekeep.storage.durable import fsync_folder, write_atomically
from sidekeep.storage.faults import faults
from sidekeep.storage.folders import Root
from sidekeep.storage.jobfiles import read_result
from sidekeep.storage.jobnames import make_job_folder
from sidekeep.storage.order import ORDER_NAME, Order, read_order, write_order
from sidekeep.storage.quarantine import REASON_NAME, take_back
from sidekeep.storage.superseding import facts_of

PLAN_NAME = "plan.yaml"


@dataclass(frozen=True, slots=True)
class Change:
    """What a person wants otherwise this time; None leaves it as it was."""

    sheet: Path | None = None
    rules: str | None = None
    side: str | None = None

    @property
    def asks_anew(self) -> bool:
        """Whether everything is to be decided again, not just carried out as the plan says."""
        return any(wish is not None for wish in (self.sheet, self.rules, self.side))


def release(root: Root, job: str, change: Change) -> None:
    """Go on with a held job: as its plan says, or decided again with what was changed.

    Raises:
        Refused: the job is not held.
        WrittenWrong: the plan or the new sheet has mistakes.
        MachineFault: the machine failed.
    """
    home = _home(root, root.held, job)
    order = _changed(home, read_order(home), change)
    if not change.asks_anew and (home / PLAN_NAME).exists():
        result = read_result(home)
        longest_s = result.duration_s if result and result.duration_s else math.inf
        read_corrections((home / PLAN_NAME).read_bytes(), str(home / PLAN_NAME), longest_s)
        order = replace(order, plan=PLAN_NAME)
    _back_to_work(root, home, order)


def retry(root: Root, job: str, change: Change) -> None:
    """Try a job in quarantine again.

    Raises:
        Refused: the job is not in quarantine.
        WrittenWrong: the new sheet has mistakes.
        MachineFault: the machine failed.
    """
    home = _home(root, root.quarantine, job)
    order = _changed(home, read_order(home), change)
    _back_to_work(root, home, order)
    (root.work / job / REASON_NAME).unlink(missing_ok=True)


def redo(root: Root, job: str, change: Change, date: str) -> str:
    """Order a filed job anew from its master; return the new job's name.

    The earlier result stays until the new one is committed. With the same rule set the filed cuts stay
    as they are; a corrected sheet then changes names and tags only.

    Args:
        root: the folders.
        job: a filed job.
        change: what is to be otherwise.
        date: today as YYYYMMDD.

    Raises:
        Refused: there is no such filed job, or it kept no order.
        WrittenWrong: the new sheet has mistakes.
        MachineFault: the machine failed.
    """
    masters = sorted(p for p in facts_of(root, job).files if p.startswith("masters/"))
    earlier = root.jobs / job
    if not (earlier / ORDER_NAME).exists():
        raise Refused(f"Job {job} kept no order.", "Drop its master in the inbox instead.")
    order = read_order(earlier)
    with faults("making", root.work):
        name = make_job_folder(root, date, order.origin)
    home = root.work / name
    keeps_cuts = change.rules is None and (earlier / PLAN_NAME).exists()
    if keeps_cuts:
        _copy(earlier / PLAN_NAME, home / PLAN_NAME)
    for path in filter(None, (order.sheet, order.cover)):
        filed = earlier / path.rpartition("/")[2]
        if filed.is_file():
            _copy(filed, home / path)
    order = replace(
        order,
        job=name,
        parts=tuple(f"../../archive/{path}" for path in masters),
        sheet=order.sheet if order.sheet and (home / order.sheet).exists() else None,
        cover=order.cover if order.cover and (home / order.cover).exists() else None,
        supersedes=job,
        attempt=1,
    )
    order = replace(_changed(home, order, change), plan=PLAN_NAME if keeps_cuts else None)
    write_order(home, order)
    with faults("writing", root.work):
        fsync_folder(root.work)
    return name


def _home(root: Root, place: Path, job: str) -> Path:
    home = place / job
    if "/" in job or job in {"", ".", ".."} or not home.is_dir():
        elsewhere = (root.work, root.held, root.quarantine, root.jobs)
        found = next(
            (each.name for each in elsewhere if "/" not in job and (each / job).is_dir()), ""
        )
        where = f"it is in {found}/" if found and job else "there is none of that name"
        raise Refused(f"No job {job} in {place.name}/: {where}.", "See: sidekeep jobs")
    return home


def _changed(home: Path, order: Order, change: Change) -> Order:
    """Lay a person's changes over an order; a new sheet is checked and copied into the job."""
    order = replace(order, plan=None, attempt=1)
    if change.rules is not None:
        order = replace(order, rules=change.rules)
    if change.side is not None:
        order = replace(order, side=change.side)
    if change.sheet is not None:
        if not change.sheet.is_file():
            raise Refused(f"There is no file {change.sheet}.", "Check the name.")
        read_sheet(change.sheet.read_bytes(), str(change.sheet))
        _copy(change.sheet, home / "sheet" / change.sheet.name)
        order = replace(order, sheet=f"sheet/{change.sheet.name}")
    return order


def _copy(source: Path, target: Path) -> None:
    with faults("copying", source):
        target.parent.mkdir(exist_ok=True)
        write_atomically(target, source.read_bytes())


def _back_to_work(root: Root, home: Path, order: Order) -> None:
    with faults("writing", home):
        forget_result(home)
    write_order(home, order)
    take_back(root, order.job)
