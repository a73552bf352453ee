"""Numbers with units as people write them: `-0.3 dBTP`, `300 ms`, `44.1 kHz`, `5 cents`.

A unit is always written, so that nobody has to guess; scaled forms of the same unit (ms for s, kHz
for Hz) are read as well. Arithmetic is decimal, so `300 ms` is exactly 0.3.
"""

from __future__ import annotations

import re
from decimal import Decimal

from sidekeep.settings import Measure

_FAMILIES: tuple[dict[str, Decimal], ...] = tuple(
    {unit: Decimal(factor) for unit, factor in family.items()}
    for family in (
        {"s": "1", "ms": "0.001", "µs": "0.000001", "us": "0.000001", "min": "60", "h": "3600"},
        {"Hz": "1", "kHz": "1000"},
        {"dB": "1"},
        {"dBTP": "1"},
        {"dBFS": "1"},
        {"LUFS": "1"},
        {"LU": "1"},
        {"%": "1"},
        {"cents": "1", "cent": "1"},
        {"rpm": "1"},
        {"kbit/s": "1", "bit/s": "0.001"},
        {"per minute": "1", "/min": "1"},
        {"per second": "1", "/s": "1"},
        {"turns": "1", "turn": "1"},
        {"MB": "1", "GB": "1000", "TB": "1000000", "kB": "0.001"},
        {"MiB": "1", "GiB": "1024", "TiB": "1048576", "KiB": "0.0009765625"},
    )
)

_WRITTEN = re.compile(r"([+\-−]?)(\d{1,15}(?:\.\d{1,15})?|\.\d{1,15})\s*(\D.{0,30})?", re.DOTALL)
_COMMA = re.compile(r"[+\-−]?\d+,\d+\b")


def read_quantity(
    text: str, *, units: tuple[str, ...], low: float | None, high: float | None
) -> Measure:
    """Read a number with its unit.

    Args:
        text: what was written.
        units: accepted units; a scaled form is turned into the one it belongs to.
        low: least accepted value in that unit, or None.
        high: greatest accepted value in that unit, or None.

    Returns:
        The value with one of `units`.

    Raises:
        ValueError: with a message that says what is accepted.
    """
    accepted = _accepted(units, low, high)
    number, unit_text = _split(text, accepted)
    if unit_text is None:
        wanted = " or ".join(f"'{text.strip()} {unit}'" for unit in units)
        raise ValueError(f"the unit is missing: write {wanted}; accepted is {accepted}")
    for unit in units:
        scale = _scale(unit_text, unit)
        if scale is not None:
            value = float(number * scale)
            if (low is not None and value < low) or (high is not None and value > high):
                raise ValueError(f"{text.strip()} is out of range; accepted is {accepted}")
            return Measure(value, unit)
    raise ValueError(f"the unit '{unit_text}' does not fit here; accepted is {accepted}")


def read_number(text: str, *, low: float | None, high: float | None, whole: bool) -> float:
    """Read a bare number.

    Raises:
        ValueError: with a message that says what is accepted.
    """
    kind = "a whole number" if whole else "a number"
    accepted = f"{kind}{_range(low, high, '')}"
    number, unit_text = _split(text, accepted)
    if unit_text is not None:
        raise ValueError(f"'{unit_text}' does not belong here; accepted is {accepted}")
    if whole and number != number.to_integral_value():
        raise ValueError(f"{text.strip()} is not whole; accepted is {accepted}")
    value = float(number)
    if (low is not None and value < low) or (high is not None and value > high):
        raise ValueError(f"{text.strip()} is out of range; accepted is {accepted}")
    return value


def range_in_words(units: tuple[str, ...], low: float | None, high: float | None) -> str:
    """Say a range with its units, for the README: `0 to 12 dB`."""
    unit = f" {' or '.join(units)}" if units else ""
    if low is None and high is None:
        return unit.strip()
    if low is None or high is None:
        return f"at least {low:.10g}{unit}" if high is None else f"at most {high:.10g}{unit}"
    return f"{low:.10g} to {high:.10g}{unit}"


def _accepted(units: tuple[str, ...], low: float | None, high: float | None) -> str:
    example = low if low is not None else (high if high is not None else 1.0)
    if low is not None and high is not None:
        example = float(f"{low + (high - low) / 4:.2g}")
    also = [u for unit in units for u in _family(unit) if u not in units and u.isascii()]
    other = f" (or in {', '.join(also)})" if also else ""
    span = _range(low, high, " or ".join(units))
    unit = " or ".join(units)
    return f"a number with the unit {unit}{other}{span}, such as '{example:.10g} {units[0]}'"


def _range(low: float | None, high: float | None, unit: str) -> str:
    tail = f" {unit}" if unit else ""
    if low is not None and high is not None:
        return f" from {low:.10g} to {high:.10g}{tail}"
    if low is not None:
        return f" of at least {low:.10g}{tail}"
    return f" of at most {high:.10g}{tail}" if high is not None else ""


def _split(text: str, accepted: str) -> tuple[Decimal, str | None]:
    written = text.strip()
    match = _WRITTEN.fullmatch(written)
    if match is None:
        comma = "; write a decimal point, not a comma" if _COMMA.match(written) else ""
        raise ValueError(f"this is not a number{comma}; accepted is {accepted}")
    sign, digits, unit = match.groups()
    if unit is not None and unit.startswith(","):
        raise ValueError(f"write a decimal point, not a comma; accepted is {accepted}")
    number = Decimal(digits)
    return (number if sign in {"", "+"} else -number), unit.strip() if unit else None


def _family(unit: str) -> dict[str, Decimal]:
    return next((family for family in _FAMILIES if unit in family), {unit: Decimal(1)})


def _scale(written: str, unit: str) -> Decimal | None:
    """The factor from the written unit to `unit`; None when they do not belong together."""
    family = _family(unit)
    folded = {name.casefold(): factor for name, factor in family.items()}
    factor = folded.get(" ".join(written.casefold().split()))
    return None if factor is None else factor / family[unit]
