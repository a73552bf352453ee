"""Choosing a rule set: what fits, what wins, and the reason given."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep.choosing import choose
from sidekeep.errors import NeedsPerson
from sidekeep.model import Sheet
from sidekeep.rulesets import RuleSet, read_rule_set

JAZZ_LP = Sheet(genre="jazz", rpm=100 / 3)
TECHNO = Sheet(genre="Techno", rpm=45.0)


def rule_sets(**conditions: str) -> dict[str, RuleSet]:
    made = {"default": read_rule_set("", "default", {})}
    for name, condition in conditions.items():
        made[name] = read_rule_set(f"applies to: {condition}", name, {})
    return made


@pytest.mark.parametrize(
    ("condition", "folder", "file_name", "sheet", "fits"),
    [
        ("{folder: club}", "club", "a.wav", Sheet(), True),
        ("{folder: club}", "Club", "a.wav", Sheet(), True),
        ("{folder: club}", "club/new", "a.wav", Sheet(), True),
        ("{folder: club}", "2024/club", "a.wav", Sheet(), True),
        ("{folder: club}", "clubs", "a.wav", Sheet(), False),
        ("{folder: club}", "", "club.wav", Sheet(), False),
        ("{folder: club*}", "clubs", "a.wav", Sheet(), True),
        ("{folder: 2024/club}", "2024/club/x", "a.wav", Sheet(), True),
        ("{folder: 2024/club}", "old/2024/club", "a.wav", Sheet(), False),
        ("{folder: /club}", "club", "a.wav", Sheet(), True),
        ("{folder: /club}", "2024/club", "a.wav", Sheet(), False),
        ("{folder: [a, club]}", "club", "a.wav", Sheet(), True),
        ("{file: '*12in*'}", "", "x 12IN y.wav", Sheet(), True),
        ("{file: '*.flac'}", "", "x.flac", Sheet(), True),
        ("{file: 'side ?'}", "", "Side A.wav", Sheet(), True),
        ("{file: 'side [ab]'}", "", "Side C.wav", Sheet(), False),
        ("{file: '(a+)+'}", "", "aaaa.wav", Sheet(), False),
        ("{genre: techno}", "", "a.wav", TECHNO, True),
        ("{genre: techno}", "", "a.wav", Sheet(genre="Dub, Techno"), True),
        ("{genre: techno}", "", "a.wav", Sheet(genre="techno jazz"), False),
        ("{genre: techno}", "", "a.wav", Sheet(), False),
        ("{genre: '*tech*'}", "", "a.wav", TECHNO, True),
        ("{genre: '*'}", "", "a.wav", Sheet(), False),
        ("{rpm: 33}", "", "a.wav", JAZZ_LP, True),
        ("{rpm: 33}", "", "a.wav", Sheet(rpm=33.0), True),
        ("{rpm: 33}", "", "a.wav", Sheet(rpm=33.3), True),
        ("{rpm: 78}", "", "a.wav", Sheet(rpm=78.26), True),
        ("{rpm: 33}", "", "a.wav", TECHNO, False),
        ("{rpm: 33}", "", "a.wav", Sheet(), False),
        # everything that is named must fit
        ("{folder: club, genre: techno, rpm: [33, 45]}", "club", "a.wav", TECHNO, True),
        ("{folder: club, genre: techno, rpm: [33, 45]}", "club", "a.wav", JAZZ_LP, False),
        ("{folder: club, genre: techno, rpm: [33, 45]}", "jazz", "a.wav", TECHNO, False),
        ("{folder: club, file: 'x*'}", "club", "a.wav", Sheet(), False),
        # what nothing states does not speak against a folder, but never speaks for a rule set
        ("{folder: club, genre: techno, rpm: [33, 45]}", "club", "a.wav", Sheet(), True),
        ("{genre: jazz, rpm: 33}", "", "a.wav", Sheet(rpm=100 / 3), False),
        ("[{folder: club}, {genre: techno}]", "", "a.wav", TECHNO, True),
        ("{}", "club", "a.wav", TECHNO, False),
    ],
)
def test_what_fits(condition: str, folder: str, file_name: str, sheet: Sheet, fits: bool) -> None:
    chosen = choose(rule_sets(x=condition), folder=folder, file_name=file_name, sheet=sheet)
    assert chosen.rule_set.name == ("x" if fits else "default")


@pytest.mark.parametrize(
    ("more", "less"),
    [
        ("{file: 'a*'}", "{folder: club/new}"),
        ("{file: 'a.w*'}", "{file: 'a*'}"),
        ("{folder: new}", "{folder: club}"),  # nearer to the file
        ("{folder: new}", "{folder: 'n*'}"),  # no wildcard
        ("{folder: 'ne*'}", "{folder: 'n*'}"),  # more plain characters
        ("{folder: club}", "{genre: techno, rpm: 45}"),
        ("{folder: club, genre: techno}", "{folder: club}"),
        ("{folder: club, rpm: 45}", "{folder: club}"),
        ("{folder: club, genre: techno}", "{folder: club, rpm: 45}"),
        ("{genre: techno}", "{rpm: 45}"),
        ("{genre: techno, rpm: 45}", "{genre: techno}"),
    ],
)
def test_the_more_specific_wins_whatever_its_name(more: str, less: str) -> None:
    for names in (("a", "b"), ("b", "a")):
        made = rule_sets(**dict(zip(names, (more, less), strict=True)))
        chosen = choose(made, folder="club/new", file_name="a.wav", sheet=TECHNO)
        assert chosen.rule_set.name == names[0]
        assert f"'{names[1]}' would fit too, less closely" in chosen.reason


def test_the_reason_says_what_fitted() -> None:
    made = rule_sets(club="{folder: club, genre: techno, rpm: 45}")
    chosen = choose(made, folder="club/new", file_name="a.wav", sheet=TECHNO)
    assert chosen.reason == (
        "'club' because the folder 'club/new' fits 'club' and the genre is Techno and rpm is 45"
    )


def test_a_tie_is_told_and_goes_by_name() -> None:
    made = rule_sets(b="{genre: techno}", a="{genre: [house, techno]}")
    chosen = choose(made, sheet=TECHNO)
    assert chosen.rule_set.name == "a"
    assert "equal to 'b', so the first name in the alphabet was taken" in chosen.reason


def test_of_equals_the_persons_own_goes_before_a_shipped_one() -> None:
    made = rule_sets(a="{genre: techno}")
    made["z"] = RuleSet("z", applies=made["a"].applies, layer=1)
    chosen = choose(made, sheet=TECHNO)
    assert chosen.rule_set.name == "z"
    assert "'a' would fit too" in chosen.reason


def test_nothing_fits() -> None:
    made = rule_sets(a="{folder: club}")
    assert choose(made).reason == "'default' because no other rule set fits (nothing is known)"
    chosen = choose(made, folder="x", sheet=JAZZ_LP)
    assert chosen.reason == (
        "'default' because no other rule set fits (folder 'x', genre jazz, 33.33 rpm)"
    )


def test_forced() -> None:
    made = rule_sets(club="{folder: club}")
    assert choose(made, folder="x", forced="club").reason == "'club' because it was asked for"
    with pytest.raises(NeedsPerson, match="unknown rule set 'clubb'; did you mean 'club'"):
        choose(made, forced="clubb")


_CONDITIONS = [
    "{folder: club}",
    "{folder: 'c*', rpm: 45}",
    "{genre: techno}",
    "{file: '*a*'}",
    "[{rpm: 45}, {folder: club, genre: techno}]",
]


@settings(max_examples=30, deadline=None, derandomize=True)
@given(st.permutations(range(len(_CONDITIONS))))
def test_the_choice_does_not_depend_on_the_order_of_loading(order: list[int]) -> None:
    made = rule_sets(**{f"r{n}": _CONDITIONS[n] for n in order})
    for folder, sheet in itertools.product(("", "club", "x"), (Sheet(), TECHNO, JAZZ_LP)):
        ordered = dict(sorted(made.items()))
        options = {"folder": folder, "sheet": sheet, "file_name": "b.wav"}
        assert choose(made, **options) == choose(ordered, **options)  # type: ignore[arg-type]
