"""Processes what is in the inbox, then exits; for a timer, or for a person who waits.

Recordings that another program is still writing are left for next time. Prints one line a job.
"""

from __future__ import annotations

import argparse
from dataclasses import asdict

from sidekeep.cli import exit_codes
from sidekeep.cli.output import complain, print_json, say
from sidekeep.cli.place import preferences_of
from sidekeep.cli.progress import Bars
from sidekeep.errors import Refused, WrittenWrong
from sidekeep.quantities import read_quantity
from sidekeep.service.assembly import Wishes, assemble
from sidekeep.service.drain import drain
from sidekeep.service.ledger import Entry
from sidekeep.service.logs import open_log
from sidekeep.service.readiness import Settle
from sidekeep.service.states import State

PATIENCE_S = 10.0  # beyond the settling time, for files that keep changing


def run(arguments: argparse.Namespace) -> int:
    """Empty the inbox and say what became of each recording."""
    preferences = preferences_of(arguments)
    settle = Settle(preferences.settle_s, preferences.settle_unseen_s)
    if arguments.settle is not None:
        try:
            settle_s = read_quantity(arguments.settle, units=("s",), low=0.0, high=3600.0).value
        except ValueError as error:
            return _wrong_usage(str(error))
        settle = Settle(settle_s, settle_s)
    ended: dict[str, Entry] = {}
    bars = Bars()

    def concluded(entry: Entry) -> None:
        ended[entry.job] = entry
        if not arguments.json:
            bars.close()
            say(_line(entry))

    wishes = Wishes(settle, None if arguments.log else open_log(silent=True), None, concluded)
    try:
        with assemble(preferences, wishes) as service:
            dispatcher = service.engine.dispatcher
            patience_s = settle.unseen_s + PATIENCE_S
            whole = drain(service, patience_s, lambda: bars.show(dispatcher.progress()))
            left = service.engine.intake.arrivals
            offline = service.engine.offline
    except Refused as error:
        complain(error)
        return exit_codes.BUSY
    except WrittenWrong as error:
        complain(error)
        return exit_codes.WRONG_SETTINGS
    finally:
        bars.close()
    waiting = [{"path": arrival.origin, "why": arrival.standing.value} for arrival in left]
    if arguments.json:
        print_json({"jobs": [asdict(e) for e in ended.values()], "left_in_inbox": waiting})
    else:
        for each in waiting:
            say(f"{each['path']}: left in the inbox, {each['why']}.")
    if not whole:
        say(f"Stopped before the end: {offline or 'it was told to stop.'}")
        return exit_codes.MACHINE_FAULT if offline else exit_codes.INTERRUPTED
    return _code(ended)


def _code(ended: dict[str, Entry]) -> int:
    states = {entry.state for entry in ended.values()}
    if states & {State.HELD, State.QUARANTINED}:
        return exit_codes.NEEDS_PERSON
    return exit_codes.TRY_AGAIN if State.DEFERRED in states else exit_codes.DONE


def _line(entry: Entry) -> str:
    words = [f"{entry.job}: {entry.state}"]
    if entry.verdict:
        words.append(f"({entry.verdict})")
    told = dict.fromkeys((entry.sentence, entry.message, entry.advice))
    return " ".join([*words, *(text for text in told if text)])


def _wrong_usage(message: str) -> int:
    complain(Refused(f"--settle: {message}."))
    return exit_codes.WRONG_USAGE
