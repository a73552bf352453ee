"""A job's order: what the worker is asked to do, as `order.json` in the job's folder."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, fields
from pathlib import Path

from sidekeep.errors import Unusable
from sidekeep.storage.durable import write_atomically
from sidekeep.storage.faults import faults

ORDER_NAME = "order.json"


@dataclass(frozen=True, slots=True)
class Order:
    """One job.

    `origin` is the inbox-relative path of the first part, `folder` its inbox-relative folder. The
    other files (`parts`, `sheet`, `cover`, `plan`) are relative to the job's folder. `rules` and
    `side` are a person's choice where there is one; `plan` a corrected plan to go on from;
    `supersedes` the filed job that this one takes the place of.
    """

    job: str
    origin: str
    folder: str
    parts: tuple[str, ...]
    sheet: str | None = None
    cover: str | None = None
    rules: str | None = None
    side: str | None = None
    attempt: int = 1
    plan: str | None = None
    supersedes: str | None = None


def write_order(folder: Path, order: Order) -> None:
    """Write the order into the job's folder, durably.

    Raises:
        MachineFault: it cannot be written.
    """
    text = json.dumps(asdict(order), indent=2, ensure_ascii=False)
    data = text.encode("utf-8", "surrogateescape") + b"\n"
    with faults("writing", folder / ORDER_NAME):
        write_atomically(folder / ORDER_NAME, data)


def read_order(folder: Path) -> Order:
    """Read the order of a job's folder.

    Raises:
        MachineFault: it cannot be read.
        Unusable: it is no order.
    """
    path = folder / ORDER_NAME
    with faults("reading", path):
        data = path.read_bytes()
    try:
        values = json.loads(data.decode("utf-8", "surrogateescape"))
        known = {field.name for field in fields(Order)}
        order = Order(**{name: value for name, value in values.items() if name in known})
        return Order(**(asdict(order) | {"parts": tuple(map(str, order.parts))}))
    except (ValueError, TypeError, AttributeError) as error:
        raise Unusable(f"{path} is not an order: {error}.") from error
