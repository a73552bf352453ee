"""What the commands that put a job back to work have in common."""

from __future__ import annotations

import argparse

from sidekeep.cli.output import print_json, say
from sidekeep.service.assembly import LOCK_NAME
from sidekeep.service.returning import Change
from sidekeep.service.ring import ring
from sidekeep.storage.folders import Root


def change_of(arguments: argparse.Namespace) -> Change:
    """Read what a person wants otherwise."""
    return Change(arguments.sheet, arguments.rules, arguments.side)


def tell_queued(arguments: argparse.Namespace, root: Root, job: str) -> None:
    """Wake the service and say what happens next."""
    served = ring(root.state / LOCK_NAME)
    if arguments.json:
        print_json({"job": job, "state": "queued", "service_runs": served})
    elif served:
        say(f"{job} is queued. See how it goes with: sidekeep jobs {job}")
    else:
        say(f"{job} is queued. No service runs here: start it, or run: sidekeep drain")
