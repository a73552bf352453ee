"""Strict YAML: what is read, what is refused, and where mistakes are said to be."""

from __future__ import annotations

import time

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep import strict_yaml
from sidekeep.errors import Mistake, WrittenWrong
from sidekeep.strict_yaml import Mapping, Node, Place, Scalar, Sequence, read

quickly = settings(max_examples=60, deadline=None, derandomize=True)


def plain(node: Node) -> object:
    """Nodes as Python's own dicts, lists and strings."""
    if isinstance(node, Scalar):
        return node.text
    if isinstance(node, Sequence):
        return [plain(item) for item in node.items]
    return {entry.key.text: plain(entry.value) for entry in node.entries}


def mistakes_in(text: str | bytes) -> list[str]:
    with pytest.raises(WrittenWrong) as caught:
        read(text, "f")
    return [str(mistake) for mistake in caught.value.mistakes]


@pytest.fixture(params=["C", "Python"])
def _either_parser(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Run with the parser in C and with the one in Python: both must say the same."""
    loader = getattr(yaml, "CSafeLoader", None) if request.param == "C" else yaml.SafeLoader
    if loader is None:
        pytest.skip("PyYAML was built without libyaml")
    monkeypatch.setattr(strict_yaml, "_PARSER", loader)


pytestmark = pytest.mark.usefixtures("_either_parser")


def test_scalars_stay_what_was_written() -> None:
    text = "a: No\nb: 22:30\nc: 012\nd: 1987\ne: 1.0\nf: ~\ng: null\nh: 0x10\ni: 2001-01-01\n"
    assert plain(read(text, "f")) == {
        "a": "No",
        "b": "22:30",
        "c": "012",
        "d": "1987",
        "e": "1.0",
        "f": "~",
        "g": "null",
        "h": "0x10",
        "i": "2001-01-01",
    }


def test_every_node_knows_its_place() -> None:
    root = read("a:\n  - x\n  - {b: yy}\n", "f")
    assert isinstance(root, Mapping)
    assert root.place == Place(1, 1)
    listed = root.entries[0].value
    assert isinstance(listed, Sequence)
    assert [item.place for item in listed.items] == [Place(2, 5), Place(3, 5)]
    inner = listed.items[1]
    assert isinstance(inner, Mapping)
    assert inner.entries[0].key.place == Place(3, 6)
    assert inner.entries[0].value.place == Place(3, 9)


def test_nothing_written_differs_from_an_empty_text() -> None:
    root = read("a:\nb: ''\n", "f")
    assert isinstance(root, Mapping)
    first, second = (entry.value for entry in root.entries)
    assert isinstance(first, Scalar)
    assert isinstance(second, Scalar)
    assert first.missing
    assert not second.missing


@pytest.mark.parametrize("text", ["", "# only a comment\n", "---\n", "\n\n", "\ufeff"])
def test_an_empty_document_is_a_missing_scalar(text: str) -> None:
    root = read(text, "f")
    assert isinstance(root, Scalar)
    assert root.missing


@pytest.mark.parametrize(
    "data",
    [
        b"\xef\xbb\xbfa: \xc3\xa9\r\nb: 2\r\n",  # byte order mark, CRLF
        b"a: \xc3\xa9\rb: 2\r",  # CR alone
        b"a: \xc3\xa9\nb: 2",  # no line end at the end
    ],
)
def test_any_line_end_and_a_byte_order_mark_are_fine(data: bytes) -> None:
    assert plain(read(data, "f")) == {"a": "é", "b": "2"}


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a: 1\nb: 2\na: 3\n", "f:3:1: the key 'a' is here twice; first in line 1"),
        ("x:\n  a: 1\n  a: 2\n", "f:3:3: the key 'a' is here twice; first in line 2"),
        ("a: &name 1\n", "f:1:4: anchors (&)"),
        ("a: *name\n", "f:1:4: aliases (*)"),
        ("a: !!str 1\n", "f:1:4: tags (!)"),
        ("a: !!python/object/apply:os.system [x]\n", "f:1:4: tags (!)"),
        ("<<: {a: 1}\n", "f:1:1: merge keys (<<)"),
        ("a: 1\n---\nb: 2\n", "f:2:1: a second document begins here"),
        ("%YAML 1.1\n---\na: 1\n", "directives"),
        ("[a]: 1\n", "f:1:1: a key must be plain text"),
        ("? {a: 1}\n: 1\n", "a key must be plain text"),
        ("a:\n\tb: 1\n", "f:2:1: a tab cannot stand here"),
        ("title: Low: Water\n", "f:1:11: a colon is not expected here"),
        ("title: @home\n", "f:1:8: a text cannot begin with this character unless it is in quotes"),
        ("a: {b: 1\n", "f:2:1: "),
        ("a: 'open\n", "f:"),
        ("a: x\x07y\n", "f:1:5: the character U+0007 is not allowed"),
        ("a: x\n\x00", "f:2:1: the character U+0000 is not allowed"),
        ("a: x\u2028y", "f:1:5: the character U+2028 is not allowed"),
        ("a: x\ufeffy", "f:1:5: the character U+FEFF is not allowed"),
        ("a: x\udc80y", "f:1:5: the character U+DC80 is not allowed"),
    ],
)
def test_what_is_refused_and_where(text: str, expected: str) -> None:
    found = mistakes_in(text)
    assert any(expected in line for line in found), found


def test_all_mistakes_come_in_one_go_and_in_the_order_of_the_text() -> None:
    found = mistakes_in("a: &x 1\nb: *x\nb: 2\nc: !t 3\n<<: {}\n")
    assert [line.split(": ", 1)[0] for line in found] == [
        "f:1:4",
        "f:2:4",
        "f:3:1",
        "f:4:4",
        "f:5:1",
    ]


def test_a_long_list_of_mistakes_is_cut() -> None:
    found = mistakes_in("a: 1\n" * 200)
    assert len(found) == strict_yaml.MOST_MISTAKES + 1
    assert found[-1] == "f:52:1: and more mistakes from here on"


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"a: 1\nb: \xff\n", "f:2:4: this is not UTF-8"),
        ("a: 1".encode("utf-16"), "not UTF-8"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "not UTF-8"),
        (b"RIFF\x00\x00\x00\x00WAVE", "f:1:5: the character U+0000"),
    ],
)
def test_bytes_that_are_no_text(data: bytes, expected: str) -> None:
    assert any(expected in line for line in mistakes_in(data))


def test_depth_is_bounded_at_twenty() -> None:
    read("[" * 20 + "]" * 20, "f")
    assert mistakes_in("[" * 21 + "]" * 21) == ["f:1:21: this is nested more than 20 levels deep"]


def test_size_is_bounded() -> None:
    largest = strict_yaml.LARGEST_BYTES
    read(b"#" * largest, "f")
    assert "too large" in mistakes_in(b"#" * (largest + 1))[0]
    assert "too large" in mistakes_in("a: " + "x" * 10_000_000)[0]
    assert "too large" in mistakes_in("é" * largest)[0]


_N = 262_000
_HOSTILE = {
    "flow lists": "[" * _N,
    "flow mappings": "{" * _N,
    "lists": "- " * (_N // 2),
    "complex keys": "? " * (_N // 2),
    "open quote": "'" + "x" * _N,
    "anchors": "&a " * (_N // 3),
    "tags": "!" * _N,
    "aliases": "- &a x\n" + "- *a\n" * (_N // 6),
    "duplicate keys": "a: b\n" * (_N // 5),
    "long key": "a" * (_N - 10) + ": b\n",
    "nul": "\x00" * _N,
    "billion laughs": "a: &a [x,x]\n"
    + "".join(
        f"{chr(98 + i)}: &{chr(98 + i)} [*{chr(97 + i)},*{chr(97 + i)}]\n" for i in range(20)
    ),
    "itself": "&x [*x]",
    "documents": "---\n" * (_N // 4),
}


@pytest.mark.parametrize("name", _HOSTILE)
def test_hostile_texts_are_refused_quickly(name: str) -> None:
    began = time.process_time()
    found = mistakes_in(_HOSTILE[name])
    assert len("\n".join(found)) < 20_000
    # The parser in Python is some fifty times slower than the one in C; both stay far from a hang.
    assert time.process_time() - began < 10


@pytest.mark.parametrize("text", ["\n" * _N, "#" * _N, "a: '" + "x" * (_N - 10) + "'"])
def test_big_but_harmless_texts_are_read(text: str) -> None:
    assert isinstance(read(text, "f"), Scalar | Mapping)


def test_messages_show_no_control_characters() -> None:
    (line,) = mistakes_in('"a\\x1b[31m": 1\n"a\\x1b[31m": 2\n')
    assert line.isprintable()


_texts = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Cn", "Zl", "Zp"]), max_size=20
).map(lambda text: text.replace("\ufeff", ""))
_keys = st.text("abc :*&", min_size=1, max_size=5)
_data = st.recursive(
    _texts,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(_keys, inner, max_size=4),
    max_leaves=15,
)


@quickly
@given(_data)
def test_what_another_writer_wrote_is_read_back(data: object) -> None:
    # PyYAML's own dumper, every scalar in double quotes, is the other implementation here.
    written = yaml.dump(data, default_style='"', allow_unicode=True, sort_keys=False)
    assert plain(read(written.replace("!!str ", ""), "f")) == data


@quickly
@given(st.binary(max_size=300) | st.text(max_size=300))
def test_any_input_gives_nodes_or_mistakes(data: bytes | str) -> None:
    found: tuple[Mistake, ...] = (Mistake("f", 1, 1, ""),)
    try:
        read(data, "f")
    except WrittenWrong as error:
        found = error.mistakes
    assert found
    assert all(mistake.line >= 1 and mistake.column >= 1 for mistake in found)
