"""All checks by name, each with what it gives where the system lets it do nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from reliability import (
    audits,
    bad_workers,
    damaged,
    failing_calls,
    hostile,
    kills,
    lost_writes,
    power,
    shares,
    soak,
    tracing,
    writers,
)
from reliability.figures import Figure

Check = Callable[..., Iterable[Figure]]

CHECKS: dict[str, Check] = {
    "kills": kills.check,
    "random kills": kills.check_at_random,
    "power": power.check,
    "lost writes": lost_writes.check,
    "failing calls": failing_calls.check,
    "shares": shares.check,
    "writers": writers.check,
    "damaged files": damaged.check,
    "hostile input": hostile.check,
    "audit": audits.check,
    "workers": bad_workers.check,
    "soak": soak.check,
}
NEED_TRACING = frozenset(
    {"kills", "random kills", "power", "lost writes", "failing calls", "shares"}
)


def figures_of(name: str, *, full: bool) -> Iterable[Figure]:
    """Run one check; give its figures as they are measured."""
    why_not = tracing.why_not() if name in NEED_TRACING else ""
    if why_not:
        return [Figure(name, "", "", not_done=why_not)]
    return CHECKS[name](full=full)
