"""Emptying the inbox once: passes until nothing is left to do."""

from __future__ import annotations

from collections.abc import Callable

from sidekeep.service.assembly import Service
from sidekeep.service.supervise import Orders, load_rules

OFFLINE_LONGEST_S = 30.0


def drain(
    service: Service, patience_s: float, after_pass: Callable[[], None] = lambda: None
) -> bool:
    """Run passes until the inbox is empty; files that others still write are left for next time.

    Jobs that were deferred wait for the next run as well.

    Args:
        service: put together by `assemble`.
        patience_s: how long to wait for files that keep changing while nothing else is to be done.
        after_pass: called after every pass, to show what goes on.

    Returns:
        Whether it came to its end; false when it was told to stop or the folders are not there.

    Raises:
        WrittenWrong: the rule sets are wrong.
    """
    engine, bell, clock = service.engine, service.bell, service.clock
    orders = Orders(bell)
    with orders.listening():
        load_rules(service)
        engine.start()
        waits_since_s = clock.monotonic_s()
        while not orders.stop:
            pause_s = engine.one_pass()
            after_pass()
            if engine.nothing_to_do:
                break
            now_s = clock.monotonic_s()
            if not engine.offline and not engine.rests:
                waits_since_s = now_s
            if now_s - waits_since_s > (OFFLINE_LONGEST_S if engine.offline else patience_s):
                break
            bell.wait(pause_s)
        engine.stop()
    return not orders.stop and not engine.offline
