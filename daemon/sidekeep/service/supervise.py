"""Running the engine until it is told to stop: signals in, signs of life out."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from sidekeep.errors import SidekeepError
from sidekeep.service.assembly import Service
from sidekeep.service.notify import Notifier
from sidekeep.service.wake import Bell

LOOK_NOW = signal.SIGUSR1


class Orders:
    """What signals have asked for since the last pass; handlers only note it and ring the bell."""

    def __init__(self, bell: Bell) -> None:
        self._bell = bell
        self.stop = False
        self.reload = False

    def hear(self, number: int, _frame: FrameType | None) -> None:
        """Note one signal."""
        if number == signal.SIGHUP:
            self.reload = True
        elif number != LOOK_NOW:
            self.stop = True
        self._bell.ring()

    @contextmanager
    def listening(self) -> Iterator[None]:
        """Hear signals inside the block."""
        heard = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, LOOK_NOW)
        before = {number: signal.signal(number, self.hear) for number in heard}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)


def serve(service: Service, notifier: Notifier) -> None:
    """Run passes until SIGTERM or SIGINT; SIGHUP reloads the rule sets, SIGUSR1 looks at once.

    Raises:
        WrittenWrong: the rule sets are wrong at the start, when there are no old ones to keep.
    """
    engine, bell = service.engine, service.bell
    orders = Orders(bell)
    with orders.listening():
        load_rules(service)
        engine.start()
        woken = True
        ready = False
        while not orders.stop:
            pause_s = engine.one_pass(woken=woken)
            notifier.status(engine.status_line())
            notifier.alive()
            if not ready:
                notifier.ready()
                ready = True
            if orders.reload:  # right after a sign of life, since it takes some seconds
                orders.reload = False
                notifier.reloading(service.clock.monotonic_s())
                _reload(service)
                notifier.ready()
            woken = bell.wait(min(pause_s, notifier.alive_every_s or pause_s))
        notifier.stopping()
        engine.stop()


def load_rules(service: Service) -> None:
    """Check the rule sets and put them in force.

    Raises:
        WrittenWrong: they have mistakes.
    """
    count = service.rulebook.load()
    service.engine.dispatcher.rules = service.rulebook.path
    service.rulebook.prune()
    service.log.info("rules.loaded", rule_sets=count)


def _reload(service: Service) -> None:
    try:
        count = service.rulebook.load()
    except (SidekeepError, OSError) as error:
        service.log.warning(
            "rules.refused",
            why="; ".join(str(error).splitlines()),
            next="the rule sets in force stay",
            advice=f"Correct them and reload again: kill -HUP {os.getpid()}",
        )
        return
    service.engine.dispatcher.rules = service.rulebook.path
    if service.engine.dispatcher.tally.all_ended:
        service.rulebook.prune()
    service.log.info("rules.reloaded", rule_sets=count)
