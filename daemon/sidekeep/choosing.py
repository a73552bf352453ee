"""Choosing a rule set for a recording, by rules that can be told to a person in one sentence.

A rule set fits when one of its conditions fits. Among those that fit the most specific wins: a file
pattern says more than a folder, a folder more than a genre, a genre more than a speed; of two
folders the nearer to the file, of two patterns the one with more plain characters. What is still
equal is decided in favour of the person's own rule sets, then by name.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from fnmatch import translate
from functools import lru_cache

from sidekeep.errors import NeedsPerson
from sidekeep.model import Sheet
from sidekeep.rulesets import FALLBACK, Condition, RuleSet
from sidekeep.schema import unknown
from sidekeep.sheets import rpm_of

_WILD = re.compile(r"[*?\[\]]")
_RPM_APART = 0.5  # 33 1/3 and 33.3 are one speed; 77.92 and 78.26 both are 78


@dataclass(frozen=True, slots=True)
class Choice:
    """The rule set that applies, and why, in words for a person."""

    rule_set: RuleSet
    reason: str


@dataclass(frozen=True, slots=True)
class _Fit:
    """How well a condition fits: higher ranks say more; `because` lists what fitted."""

    rank: tuple[tuple[int, ...], ...]
    because: tuple[str, ...]


def choose(
    rule_sets: Mapping[str, RuleSet],
    *,
    folder: str = "",
    file_name: str = "",
    sheet: Sheet | None = None,
    forced: str | None = None,
) -> Choice:
    """Choose the rule set for a recording.

    Args:
        rule_sets: all rule sets by name; `default` among them.
        folder: the inbox-relative folder, with `/` between components.
        file_name: the recording's file name.
        sheet: what is known of the record; its genre and rpm count.
        forced: the name of a rule set a person asked for.

    Raises:
        NeedsPerson: the rule set that was asked for does not exist.
    """
    sheet = sheet or Sheet()
    if forced is not None:
        if forced not in rule_sets:
            raise NeedsPerson(
                f"{unknown('rule set', forced, rule_sets)}", "Run 'sidekeep rules' to see them all."
            )
        return Choice(rule_sets[forced], f"'{forced}' because it was asked for")
    fits: dict[str, _Fit] = {}
    for name, rule_set in rule_sets.items():
        found = [_fit(each, folder, file_name, sheet) for each in rule_set.applies]
        best = max((fit for fit in found if fit), key=lambda fit: fit.rank, default=None)
        if best is not None:
            fits[name] = best
    if not fits:
        return Choice(rule_sets[FALLBACK], _nothing_fits(folder, sheet))

    def closeness(name: str) -> tuple[object, ...]:
        return fits[name].rank, rule_sets[name].layer

    order = sorted(sorted(fits), key=closeness, reverse=True)  # equals stay in the order of names
    chosen = order[0]
    equal = [name for name in order if closeness(name) == closeness(chosen)]
    reason = f"'{chosen}' because {' and '.join(fits[chosen].because)}"
    if equal[1:]:
        reason += f"; equal to {_list(equal[1:])}, so the first name in the alphabet was taken"
    if less := [name for name in order if name not in equal]:
        reason += f"; {_list(less)} would fit too, less closely"
    return Choice(rule_sets[chosen], reason)


def _nothing_fits(folder: str, sheet: Sheet) -> str:
    known = [f"folder '{folder}'"] if folder else []
    known += [f"genre {sheet.genre}"] if sheet.genre else []
    known += [f"{sheet.rpm:.4g} rpm"] if sheet.rpm else []
    return f"'{FALLBACK}' because no other rule set fits ({', '.join(known) or 'nothing is known'})"


def _list(names: list[str]) -> str:
    return ", ".join(f"'{name}'" for name in names)


def _fit(condition: Condition, folder: str, file_name: str, sheet: Sheet) -> _Fit | None:
    """Say how a condition fits, or None.

    A genre or speed that nothing states does not speak against a condition whose folder or file
    pattern fits; alone it must be known.
    """
    because: list[str] = []
    placed = bool(condition.file or condition.folder)
    ranks: list[tuple[int, ...]] = []
    for wanted, found, words in (
        (condition.file, _file_rank(condition.file, file_name), "the file's name fits"),
        (condition.folder, _folder_rank(condition.folder, folder), f"the folder '{folder}' fits"),
    ):
        if wanted and found is None:
            return None
        ranks.append(found[0] if found else (0,))
        if found:
            because.append(f"{words} '{found[1]}'")
    for asked, stated, fits in (
        (bool(condition.genre), sheet.genre, _genre_fits(condition.genre, sheet.genre)),
        (bool(condition.rpm), sheet.rpm, _rpm_fits(condition.rpm, sheet.rpm)),
    ):
        if asked and not fits and not (placed and stated is None):
            return None
        ranks.append((int(fits),))
        if fits:
            spoken = f"the genre is {stated}" if isinstance(stated, str) else f"rpm is {stated:.4g}"
            because.append(spoken)
    return _Fit(tuple(ranks), tuple(because)) if because else None


def _file_rank(patterns: tuple[str, ...], name: str) -> tuple[tuple[int, ...], str] | None:
    """The best file pattern that fits the name, with or without its extension."""
    stem = name.rpartition(".")[0] or name
    found = [
        ((1, len(_WILD.sub("", pattern))), pattern)
        for pattern in patterns
        if _glob(_folded(pattern)).match(_folded(name))
        or _glob(_folded(pattern)).match(_folded(stem))
    ]
    return max(found, default=None)


def _folder_rank(patterns: tuple[str, ...], folder: str) -> tuple[tuple[int, ...], str] | None:
    """The best folder pattern; without `/` it may fit any component, else from the inbox on."""
    parts = _folded(folder).split("/") if folder else []
    found: list[tuple[tuple[int, ...], str]] = []
    for pattern in patterns:
        wanted = _folded(pattern).strip("/")
        rooted = "/" in pattern.strip().rstrip("/")
        for depth in range(1, len(parts) + 1):
            candidate = "/".join(parts[:depth]) if rooted else parts[depth - 1]
            if _glob(wanted).match(candidate):
                plain = len(_WILD.sub("", wanted))
                found.append(((1, depth, int(not _WILD.search(wanted)), plain), pattern))
    return max(found, default=None)


def _genre_fits(wanted: tuple[str, ...], genre: str | None) -> bool:
    """Whether the genre, or one of several in one field (`Jazz, Soul`), is wanted."""
    if genre is None:
        return False
    stated = {_folded(part) for part in (genre, *re.split(r"[,;/]", genre))}
    return any(_glob(_folded(word)).match(part) for word in wanted for part in stated)


def _rpm_fits(wanted: tuple[float, ...], rpm: float | None) -> bool:
    if rpm is None:
        return False
    stated = rpm_of(f"{rpm:g}") or rpm  # a bare 33 means 33 1/3 here too
    return any(abs(stated - speed) <= _RPM_APART for speed in wanted)


def _folded(text: str) -> str:
    return " ".join(unicodedata.normalize("NFC", text).casefold().split())


@lru_cache(maxsize=512)
def _glob(pattern: str) -> re.Pattern[str]:
    return re.compile(translate(pattern))
