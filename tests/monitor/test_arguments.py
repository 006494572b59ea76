"""What may be typed, in any order."""

import argparse

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.arguments import parser

(COMMANDS,) = (it.choices for it in parser()._actions if isinstance(it, argparse._SubParsersAction))
MOST = {None: (1, 1), "?": (0, 1), "+": (1, 3), "*": (0, 3)}


def words(draw, action):
    """What may be typed for an action: an option with its value, or so many words as it takes."""
    value = str(action.choices[0]) if action.choices else "2"
    if action.option_strings:
        option = draw(st.sampled_from(action.option_strings))
        return [option] if action.nargs == 0 else [f"{option}={value}"]
    low, high = MOST[action.nargs]
    return [f"{value}{i}" for i in range(draw(st.integers(low, high)))]


@st.composite
def calls(draw):
    """A command with what it takes: (options first, mixed). Among themselves options keep their order, and so does the rest."""
    name = draw(st.sampled_from([name for name, it in COMMANDS.items() if it.anywhere]))
    taken = [it for it in COMMANDS[name]._actions if "--help" not in it.option_strings and not it.choices]
    plain = [word for it in taken if not it.option_strings for word in words(draw, it)]
    may = [it for it in taken if it.option_strings]
    chosen = [it for it in may if it.required] + (draw(st.lists(st.sampled_from(may), max_size=4)) if may else [])
    options = [word for it in chosen for word in words(draw, it)]
    rest, mixed = {True: list(options), False: list(plain)}, []
    for option in draw(st.permutations([True] * len(options) + [False] * len(plain))):
        mixed.append(rest[option].pop(0))
    return [name, *options, *plain], [name, *mixed]


@given(calls())
def test_options_may_stand_anywhere_among_what_else_is_typed(call):
    ordered, mixed = call
    assert parser().parse_args(mixed) == parser().parse_args(ordered)


def test_a_rig_behind_an_option_is_the_rig():
    got = parser().parse_args(["follow", "mqtt://localhost", "--json", "yard-panel"])
    assert (got.broker, got.rig, got.json) == ("mqtt://localhost", "yard-panel", True)


def test_behind_a_screen_for_browsers_everything_is_the_screens_own():
    assert [name for name, it in COMMANDS.items() if not it.anywhere] == ["web"]
    got = parser().parse_args(["web", "--most", "3", "follow", "mqtt://localhost", "--json"])
    assert got.args == ["follow", "mqtt://localhost", "--json"]
    assert got.most == 3


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        (["run", "--serve", "a.toml"], "required: RIG (what follows --serve is its ADDRESS)"),
        (["run"], "required: RIG\n"),
        (["run", "a.toml", "b.toml"], "unrecognized arguments: b.toml"),
        (["follow", "a", "--json", "b", "c"], "unrecognized arguments: c"),
        (["judge", "--json"], "required: FILE\n"),
    ],
)
def test_what_is_wrong_is_said_with_the_whole_usage(capsys, typed, said):
    with pytest.raises(SystemExit, match="2"):
        parser().parse_args(typed)
    told = capsys.readouterr().err
    assert said in told
    assert told.startswith("usage: inchwatch")
