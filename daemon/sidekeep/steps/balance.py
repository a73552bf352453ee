"""balance: left/right level from what is common to both channels; left alone without evidence."""

from __future__ import annotations

from dataclasses import dataclass, replace

from sidekeep.dsp.centre import ONE_PLACE, TRUSTED, Centre, find_centre, groove_balance_db
from sidekeep.measurements import Measurements
from sidekeep.model import Balance, Plan, Side
from sidekeep.settings import number, quantity
from sidekeep.steps.step import Step

MANY_PLACES = 0.5
"""Share in one place below which it surely is not."""

SURELY_TRANSFER_DB = 0.75
"""A lone source this near the middle was meant to be there: nobody pans by so little."""

SAME_LEAN_DB = 0.35
"""How near the groove's own balance must be to a lone source's to bear it out."""

OTHER_LEAN_DB = 3.0
"""How far it may be from the centre of many sources; groove noise may be a little one-sided."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How far balance may go, and on what grounds."""

    limit_db: float = quantity(
        "limit",
        unit="dB",
        default=3.0,
        low=0.0,
        high=12.0,
        doc="most that is ever corrected; a larger imbalance is corrected by this much and noted",
    )
    smallest_db: float = quantity(
        "smallest",
        unit="dB",
        default=0.1,
        low=0.0,
        high=3.0,
        doc="an imbalance below this is left alone",
    )
    least_evidence: float = number(
        "least evidence",
        default=TRUSTED,
        low=0.1,
        high=1.0,
        doc="how sure the centre must be, 0 to 1: bands, places and channels agree",
    )


def decide(draft: Plan, seen: Measurements, settings: Settings) -> Plan:
    """Measure how the channels stand on each side, and say how much is taken off the left."""
    for index, side in enumerate(draft.sides):
        balance, numbers = _balance(side, seen, settings)
        sides = (*draft.sides[:index], replace(side, balance=balance), *draft.sides[index + 1 :])
        draft = replace(draft, sides=sides).noting(
            "balance",
            "balance_decided",
            side=side.label,
            measured_db=balance.measured_db,
            applied_db=balance.applied_db,
            evidence=balance.evidence,
            reason=balance.reason,
            **numbers,
        )
    return draft


def _balance(
    side: Side, seen: Measurements, settings: Settings
) -> tuple[Balance, dict[str, object]]:
    if seen.channels != 2:
        return _left_alone("the recording has one channel"), {}
    centre = find_centre(seen.image, side.programme.start, side.programme.end)
    if centre is None:
        return _left_alone("too little sound is shared by both channels, or for too short"), {}
    groove_db = groove_balance_db(seen.image, tuple((s.start, s.end) for s in side.groove))
    numbers: dict[str, object] = {
        "found_db": centre.ratio_db,
        "agreement": centre.agreement,
        "spread_db": centre.spread_db,
        "likeness": centre.likeness,
        "alone": centre.alone,
        "bands": centre.bands,
        "groove_db": groove_db,
    }
    if centre.evidence < settings.least_evidence:
        return _left_alone(_weakness(centre), centre.evidence), numbers
    if _may_be_meant(centre, groove_db):
        return _left_alone(_lone(centre, groove_db)), numbers
    return _corrected(centre, settings), numbers


def _left_alone(reason: str, evidence: float = 0.0) -> Balance:
    return Balance(None, 0.0, evidence, f"left alone: {reason}")


def _corrected(centre: Centre, settings: Settings) -> Balance:
    found_db = centre.ratio_db
    if abs(found_db) < settings.smallest_db:
        reason = "the channels stand level"
        return Balance(found_db, 0.0, centre.evidence, reason)
    applied_db = max(-settings.limit_db, min(settings.limit_db, found_db))
    where = "the lowest bands agree" if centre.low_only else "bands and places agree"
    reason = f"{where} on a centre {_place(found_db)}"
    if applied_db != found_db:
        reason += f"; corrected only to the limit of {settings.limit_db:g} dB"
    return Balance(found_db, applied_db, centre.evidence, reason)


def _may_be_meant(centre: Centre, groove_db: float | None) -> bool:
    """Whether this may be one source that the mix puts off-centre.

    A lone source off-centre and a mono record in a transfer that leans sound alike, as does a lone
    bass below other things; but a transfer leans the noise of the groove as well, a mix does not.
    """
    lone = 1.0
    if not centre.low_only:
        lone = min(max((centre.alone - MANY_PLACES) / (ONE_PLACE - MANY_PLACES), 0.0), 1.0)
    if groove_db is None:
        near = centre.bands > 1 and abs(centre.ratio_db) <= SURELY_TRANSFER_DB
        return lone == 1.0 and not near
    allowed_db = OTHER_LEAN_DB + lone * (SAME_LEAN_DB - OTHER_LEAN_DB)
    return abs(groove_db - centre.ratio_db) > allowed_db


def _lone(centre: Centre, groove_db: float | None) -> str:
    borne_out = (
        "no groove noise was found that could bear it out"
        if groove_db is None
        else f"the groove noise stands {_place(groove_db)}"
    )
    what = "low sound comes" if centre.low_only else "sound comes"
    return (
        f"most {what} from one place, {_place(centre.ratio_db)}, and {borne_out}; taken for the mix"
    )


def _weakness(centre: Centre) -> str:
    """Name what speaks against a centre most."""
    if centre.likeness < 0.2:
        return "the channels share too little to tell where the centre is"
    if centre.agreement < 0.85:
        return "low, middle and high frequencies do not agree on a centre"
    return "the centre is not in the same place through the side"


def _place(ratio_db: float) -> str:
    if abs(ratio_db) < 0.05:
        return "in the middle"
    return f"{abs(ratio_db):.2f} dB to the {'left' if ratio_db > 0 else 'right'}"


STEP = Step("balance", Settings, decide)
