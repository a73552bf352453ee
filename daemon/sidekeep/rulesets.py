"""Rule sets: how one kind of record is treated; read strictly, never half."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sidekeep.errors import Mistake, WrittenWrong
from sidekeep.patterns import Pattern
from sidekeep.patterns import parse as parse_pattern
from sidekeep.schema import read_entries, read_items, read_settings, read_text, read_words, unknown
from sidekeep.sheets import rpm_of
from sidekeep.strict_yaml import LARGEST_BYTES, START, Entry, Mistakes, Node, Scalar, read, shown
from sidekeep.strict_yaml import Mapping as MappingNode

FALLBACK = "default"
"""What every rule set builds on unless it extends another, and what applies when nothing fits."""

_NAME = re.compile(r"[^\W_][\w .\-]{0,63}")
_OWN_KEYS = ("description", "applies to", "extends", "names", "sheet")

Sections = Mapping[str, type[Any]]


@dataclass(frozen=True, slots=True)
class Condition:
    """When a rule set applies: everything that is named must fit, by one of its words.

    `folder`, `file` and `genre` are glob patterns; `rpm` are exact speeds (33 is 33 1/3).
    """

    folder: tuple[str, ...] = ()
    file: tuple[str, ...] = ()
    genre: tuple[str, ...] = ()
    rpm: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class NamePatterns:
    """What names say about a record: patterns for the file's stem and for the folder's path."""

    file: tuple[Pattern, ...] = ()
    folder: tuple[Pattern, ...] = ()

    def fields(self, stem: str, folder: str) -> dict[str, str]:
        """Fields from the first pattern that fits each; the file's name wins over the folder's.

        Args:
            stem: the file's name without extension.
            folder: the inbox-relative folder, with `/` between components; empty for the inbox.
        """
        found: dict[str, str] = {}
        for pattern in self.folder:
            tail = "/".join(folder.split("/")[-pattern.levels :])
            if (fields := pattern.match(tail)) is not None:
                found |= fields
                break
        for pattern in self.file:
            if (fields := pattern.match(stem)) is not None:
                found |= fields
                break
        return found


@dataclass(frozen=True, slots=True)
class RuleSet:
    """How one kind of record is treated.

    `applies` are alternatives; none means only on request or as the fallback. `sections` holds one
    entry per step: its settings, or None where the step is off. `layer` is 0 for rule sets that
    ship and grows with each folder laid over them.
    """

    name: str
    description: str = ""
    applies: tuple[Condition, ...] = ()
    patterns: NamePatterns = NamePatterns()
    sheet_required: bool = False
    sections: Mapping[str, Any] = field(default_factory=dict)
    source: str = ""
    layer: int = 0


def shipped_rules_folder() -> Path:
    """The folder of the rule sets that come with the program."""
    return Path(__file__).parent / "shipped_rules"


def read_rule_set(
    text: str | bytes,
    name: str,
    sections: Sections,
    known: Mapping[str, RuleSet] | None = None,
    source: str = "",
) -> RuleSet:
    """Read one rule set.

    Args:
        text: the file's content.
        name: the rule set's name.
        sections: the settings class of every step.
        known: rule sets it may extend; `default` among them is extended if nothing else is.
        source: the file, for messages; `name.yaml` if empty.

    Raises:
        WrittenWrong: with every mistake in the text.
    """
    source = source or f"{name}.yaml"
    mistakes = Mistakes(source)
    written = _Written(name, source, 0, read(text, source))
    wanted = _extends(written, mistakes)
    parent = (known or {}).get(wanted.text if wanted else FALLBACK)
    if wanted and parent is None:
        mistakes.add(wanted.place, unknown("rule set", wanted.text, known or ()))
    rule_set = _build(written, sections, parent, mistakes)
    mistakes.raise_if_any()
    return rule_set


def load_rule_sets(
    folders: Sequence[Path], sections: Sections, *, shipped: Path | None = None
) -> dict[str, RuleSet]:
    """Load the shipped rule sets and lay the folders over them, each over those before it.

    A file of the same name replaces the earlier rule set; it may extend the one it replaces. A
    rule set that extends nothing builds on `default`, so that it never does more than it says.

    Args:
        folders: folders with `.yaml` files.
        sections: the settings class of every step.
        shipped: where the shipped rule sets are; the package's own folder if None.

    Returns:
        All rule sets by name, in the order of their names.

    Raises:
        WrittenWrong: with every mistake in all files; nothing is loaded then.
    """
    found: list[Mistake] = []
    layers: list[dict[str, _Written]] = []
    for layer, folder in enumerate((shipped or shipped_rules_folder(), *folders)):
        layers.append(_read_folder(folder, layer, found))
    family = _Family(layers, sections, found)
    rule_sets = family.all()
    if found:
        raise WrittenWrong(tuple(found))
    return rule_sets


# --- files to nodes ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Written:
    """A rule set's file as nodes, before inheritance."""

    name: str
    source: str
    layer: int
    root: Node


def _read_folder(folder: Path, layer: int, found: list[Mistake]) -> dict[str, _Written]:
    try:
        paths = sorted(p for p in folder.iterdir() if p.suffix in {".yaml", ".yml"})
    except OSError as error:
        found.append(Mistake(str(folder), 1, 1, f"the folder cannot be read: {error.strerror}"))
        return {}
    written: dict[str, _Written] = {}
    for path in paths:
        source = str(path)
        if path.name.startswith(".") or not path.is_file():
            continue
        if path.suffix == ".yml" or not _NAME.fullmatch(path.stem):
            wanted = "a rule set's file is named by letters and digits and ends in .yaml"
            found.append(Mistake(source, 1, 1, f"{wanted}, unlike {shown(path.name)}"))
            continue
        try:
            with path.open("rb") as file:
                root = read(file.read(LARGEST_BYTES + 1), source)
        except OSError as error:
            found.append(Mistake(source, 1, 1, f"the file cannot be read: {error.strerror}"))
        except WrittenWrong as error:
            found.extend(error.mistakes)
        else:
            written[path.stem] = _Written(path.stem, source, layer, root)
    return written


class _Family:
    """Resolves `extends` between files of all layers; refuses circles."""

    def __init__(
        self, layers: list[dict[str, _Written]], sections: Sections, found: list[Mistake]
    ) -> None:
        self._layers = layers
        self._sections = sections
        self._found = found
        self._done: dict[tuple[int, str], RuleSet] = {}

    def all(self) -> dict[str, RuleSet]:
        """Build every file, also those that are replaced; return the topmost of each name."""
        top: dict[str, RuleSet] = {}
        for layer in self._layers:
            for written in layer.values():
                top[written.name] = self._resolve(written, ())
        return dict(sorted(top.items()))

    def _resolve(self, written: _Written, chain: tuple[_Written, ...]) -> RuleSet:
        mark = (written.layer, written.name)
        if mark in self._done:
            return self._done[mark]
        mistakes = Mistakes(written.source)
        parent: RuleSet | None = None
        wanted = _extends(written, mistakes)
        ancestor = self._find(wanted.text if wanted else FALLBACK, written)
        line = (*chain, written)
        if ancestor in line:
            circle = " -> ".join(each.name for each in (*line[line.index(ancestor) :], ancestor))
            mistakes.add(
                wanted.place if wanted else START, f"rule sets extend each other: {circle}"
            )
        elif ancestor:
            parent = self._resolve(ancestor, line)
        elif wanted:
            names = {name for layer in self._layers for name in layer} - {written.name}
            mistakes.add(wanted.place, unknown("rule set", wanted.text, names))
        self._done[mark] = _build(written, self._sections, parent, mistakes)
        self._found.extend(mistakes.found())
        return self._done[mark]

    def _find(self, name: str, child: _Written) -> _Written | None:
        """The topmost rule set of that name; for the child's own name, the one it replaces."""
        below = self._layers[: child.layer] if name == child.name else self._layers
        return next((layer[name] for layer in reversed(below) if name in layer), None)


# --- nodes to rule sets --------------------------------------------------------------------------


def _extends(written: _Written, mistakes: Mistakes) -> Scalar | None:
    if isinstance(written.root, MappingNode):
        for entry in written.root.entries:
            if entry.key.text == "extends":
                text = read_text(entry.value, "'extends'", mistakes)
                return None if text is None else Scalar(entry.value.place, text)
    return None


def _build(
    written: _Written, sections: Sections, parent: RuleSet | None, mistakes: Mistakes
) -> RuleSet:
    known = (*_OWN_KEYS, *sections)
    entries = read_entries(written.root, "a rule set", known, mistakes)
    description = ""
    if "description" in entries:
        description = read_text(entries["description"].value, "'description'", mistakes) or ""
    applies = _applies(entries["applies to"].value, mistakes) if "applies to" in entries else ()
    patterns = parent.patterns if parent else NamePatterns()
    if "names" in entries:
        patterns = _names(entries["names"].value, mistakes)
    required = parent.sheet_required if parent else False
    if "sheet" in entries:
        required = _sheet(entries["sheet"].value, mistakes)
    settings: dict[str, Any] = {}
    for name, kind in sections.items():
        settings[name] = parent.sections.get(name, kind()) if parent else kind()
        if name in entries:
            settings[name] = _section(entries[name], kind, settings[name], mistakes)
    return RuleSet(
        name=written.name,
        description=description,
        applies=applies,
        patterns=patterns,
        sheet_required=required,
        sections=settings,
        source=written.source,
        layer=written.layer,
    )


def _section(entry: Entry, kind: type[Any], inherited: Any, mistakes: Mistakes) -> Any:
    node = entry.value
    if isinstance(node, Scalar):
        if node.text == "off":
            return None
        if node.text != "on":
            mistakes.add(
                node.place if node.text else entry.key.place,
                f"'{entry.key.text}' needs its keys (key: value), or 'off', or 'on'",
            )
        return kind() if inherited is None else inherited
    base = kind() if inherited is None else inherited
    return read_settings(node, base, f"'{entry.key.text}'", mistakes)


def _applies(node: Node, mistakes: Mistakes) -> tuple[Condition, ...]:
    conditions = (_condition(item, mistakes) for item in read_items(node, "'applies to'", mistakes))
    return tuple(condition for condition in conditions if condition != Condition())


def _condition(node: Node, mistakes: Mistakes) -> Condition:
    entries = read_entries(node, "'applies to'", ("folder", "file", "genre", "rpm"), mistakes)
    words = {key: read_words(entry.value, f"'{key}'", mistakes) for key, entry in entries.items()}
    speeds: list[float] = []
    for word in words.pop("rpm", ()):
        rpm = rpm_of(word)
        if rpm is None:
            mistakes.add(
                entries["rpm"].value.place, f"'rpm' must be 33, 45 or 78, not {shown(word)}"
            )
        else:
            speeds.append(rpm)
    return Condition(**words, rpm=tuple(speeds))


def _names(node: Node, mistakes: Mistakes) -> NamePatterns:
    if not isinstance(node, MappingNode):
        return NamePatterns(file=_patterns(node, mistakes))
    entries = read_entries(node, "'names'", ("file", "folder"), mistakes)
    return NamePatterns(**{key: _patterns(entry.value, mistakes) for key, entry in entries.items()})


def _patterns(node: Node, mistakes: Mistakes) -> tuple[Pattern, ...]:
    patterns: list[Pattern] = []
    for item in read_items(node, "'names'", mistakes):
        text = read_text(item, "a name pattern", mistakes)
        if text is None:
            continue
        try:
            patterns.append(parse_pattern(text))
        except ValueError as error:
            mistakes.add(item.place, str(error))
    return tuple(patterns)


def _sheet(node: Node, mistakes: Mistakes) -> bool:
    text = read_text(node, "'sheet'", mistakes)
    if text not in {"required", "optional", None}:
        mistakes.add(node.place, f"'sheet' must be required or optional, not {shown(text or '')}")
    return text == "required"
