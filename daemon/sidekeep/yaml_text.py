"""Writing YAML: plain data in, the same lines every time out.

Texts are always in double quotes, so that nothing in them can be taken for YAML.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping
from numbers import Integral, Real

_WIDEST = 100
_PLAIN_KEY = re.compile(r"[A-Za-z][A-Za-z0-9_]*(?: [A-Za-z0-9_]+)*")
_WORDS_OF_YAML = frozenset({"null", "true", "false", "yes", "no", "on", "off", "y", "n"})
# What JSON leaves as it is, but YAML or a terminal does not.
_ESCAPED = re.compile("[\x7f-\x9f\u2028\u2029\ufeff\ufffe\uffff]")
_LONE_SURROGATE = re.compile("[\ud800-\udfff]")


def quoted(text: str) -> str:
    """Write text as a double-quoted scalar on one line; half characters are replaced."""
    whole = _LONE_SURROGATE.sub("\N{REPLACEMENT CHARACTER}", text)
    escaped = json.dumps(whole, ensure_ascii=False)
    return _ESCAPED.sub(lambda match: f"\\u{ord(match[0]):04x}", escaped)


def block(data: Mapping[str, object], indent: str = "") -> Iterator[str]:
    """Write a mapping as lines, in its own order.

    Values may be text, numbers, booleans, None, mappings and sequences of these; arrays and scalars
    of numeric libraries are taken by their `tolist`.
    """
    for key, value in data.items():
        yield from _value(f"{indent}{_key(key)}:", _plain(value), indent + "  ")


def _value(head: str, value: object, indent: str) -> Iterator[str]:
    flow = _flow(value)
    short = len(head) + 1 + len(flow) <= _WIDEST
    if isinstance(value, Mapping) and value and not (short and head.lstrip().startswith("- ")):
        yield head
        yield from block(value, indent)
    elif isinstance(value, list) and value and not short:
        yield head
        for item in value:
            yield from _entry(_plain(item), indent)
    else:
        yield f"{head} {flow}"


def _entry(item: object, indent: str) -> Iterator[str]:
    """One item of a list: a mapping begins on the line of its dash."""
    if not isinstance(item, Mapping) or not item:
        yield f"{indent}- {_flow(item)}"
        return
    lines = block(item, indent + "  ")
    yield f"{indent}- {next(lines).lstrip()}"
    yield from lines


def _flow(value: object) -> str:
    value = _plain(value)
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_key(key)}: {_flow(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_flow(item) for item in value) + "]"
    return _scalar(value)


def _scalar(value: object) -> str:
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Integral):
        return str(int(value))
    if isinstance(value, Real):
        return _number(float(value))
    return quoted(str(value))


def _number(value: float) -> str:
    if not math.isfinite(value):
        return ".nan" if math.isnan(value) else (".inf" if value > 0 else "-.inf")
    text = f"{value:.10g}"
    return text if any(c in text for c in ".e") else text + ".0"


def _key(key: object) -> str:
    text = str(key)
    plain = _PLAIN_KEY.fullmatch(text) and text.casefold() not in _WORDS_OF_YAML
    return text if plain else quoted(text)


def _plain(value: object) -> object:
    """Turn arrays, tuples and sets into lists; sets in order, so that the lines are the same."""
    tolist = getattr(value, "tolist", None)
    if tolist is not None:
        return _plain(tolist())
    if isinstance(value, set | frozenset):
        return sorted(value)
    return list(value) if isinstance(value, tuple) else value
