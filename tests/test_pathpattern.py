"""Missing fields leave no trace in a path."""

import pytest

from sidekeep.pathpattern import PathPattern

FIELDS = frozenset(("artist", "title", "job", "catalogue", "side", "number", "track"))
NOTHING = dict.fromkeys(FIELDS, "")


def filled(pattern: str, **values: str) -> str:
    return "/".join(PathPattern(pattern, FIELDS).fill(NOTHING | values))


@pytest.mark.parametrize(
    ("pattern", "values", "expected"),
    [
        (
            "{artist}/{title} [{catalogue}]",
            {"artist": "A", "title": "T", "catalogue": "C"},
            "A/T [C]",
        ),
        ("{artist}/{title} [{catalogue}]", {"artist": "A", "title": "T"}, "A/T"),
        ("{artist}/{title} [{catalogue}]", {"artist": "A", "catalogue": "C"}, "A/[C]"),
        ("{artist}/{title} [{catalogue}]", {"title": "T"}, "T"),
        ("{title|job}", {"job": "J"}, "J"),
        ("{title|job}", {"job": "J", "title": "T"}, "T"),
        ("{side}{number} {track}", {"number": "1", "track": "X"}, "1 X"),
        ("{side}{number} {track}", {"side": "A", "track": "X"}, "A X"),
        ("{artist} - {title} - {track}", {"artist": "A", "track": "X"}, "A - X"),
        ("{artist} - {title} - {track}", {"track": "X"}, "X"),
        ("{artist} - {title} - {track}", {"artist": "A"}, "A"),
        ("{artist} - {title} ({side}, {number})", {"artist": "A", "number": "3"}, "A (3)"),
        ("{artist} ({side}, {number})", {"artist": "A", "side": "B"}, "A (B)"),
        ("{title}<, side {side}>", {"title": "T"}, "T"),
        ("{title}<, side {side}>", {"title": "T", "side": "B"}, "T, side B"),
        ("<{artist}/>{title}", {"artist": "A", "title": "T"}, "A/T"),
        ("{artist}/{title}", {"artist": "A/B", "title": "{x} <y> [ ]"}, "A/B/{x} <y> [ ]"),
        ("{artist}/{title}", {"artist": "\x00", "title": "a\x01b"}, "ab"),
        ("{artist}/{title}", {}, ""),
    ],
)
def test_a_missing_field_takes_its_brackets_and_separators_along(
    pattern: str, values: dict[str, str], expected: str
) -> None:
    assert filled(pattern, **values) == expected


def test_a_slash_in_a_value_makes_no_folder() -> None:
    assert PathPattern("{artist}/{title}", FIELDS).fill(
        NOTHING | {"artist": "A/B", "title": "T"}
    ) == ("A/B", "T")


@pytest.mark.parametrize(
    ("pattern", "message"),
    [
        ("{artis}/{title}", r"no field \{artis\}"),
        ("{title|jobs}", r"no field \{jobs\}"),
        ("{artist", "no partner"),
        ("{artist}>", "no partner"),
        ("tracks", "no field; all files"),
    ],
)
def test_a_wrong_pattern_is_refused(pattern: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        PathPattern(pattern, FIELDS)
