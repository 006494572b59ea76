"""Patterns of lines: what their groups may be, and that none that is let in can run away."""

from __future__ import annotations

import re
import time
import warnings

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from drivers import patterns
from drivers.patterns import LONGEST, MOST_WAYS, PLAIN, PatternError, line_pattern, ways

VALUE = r"(?P<value>[-+.\d]+)"

GOOD = [
    PLAIN,
    rf"^(?P<id>\w+)={VALUE} (?P<unit>\w+)$",
    r"T=(?P<value_T1>[-.\d]+);H=(?P<value_H1>[-.\d]+)",
    rf"^.*P={VALUE}.*$",
    rf"{VALUE}(?:,\d+)*",
    r"[^,]*,[^,]*,(?P<value>[^,]*),.*",
    r"(?P<value>[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?)(?:\s(?P<unit_>\w+))?".replace("unit_", "unit"),
    rf"(?i)temp {VALUE}",
]


@pytest.mark.parametrize("text", GOOD)
def test_usual_patterns_are_let_in(text):
    assert line_pattern(text).numbers


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (r"(?P<value>\d+", r"compiles \(missing \), unterminated"),
        (r"\d+", r"a group \(\?P<value>"),
        (r"(?P<id>\w+)=\d", r"a group \(\?P<value>"),
        (r"(?P<vale>\d)", "not 'vale'"),
        (r"(?P<value_>\d)(?P<unit_x>b)", "not 'value_'"),
        (rf"{VALUE};(?P<value_B>\d)", "not both"),
        (r"(?P<value_A>\d) (?P<unit>\w)", "'unit' only beside"),
        (r"(?P<value_A>\d) (?P<unit_B>\w)", "'unit_B' only beside"),
        (r"(?P<id>\w);(?P<value_A>\d)", "'id' only beside"),
        (rf"(?=P){VALUE}", "looks around or refers back"),
        (rf"(a)\1{VALUE}", "looks around or refers back"),
        (rf"(?u){VALUE}", "plain .ASCII and UNICODE"),
        (rf"[[a]{VALUE}", "plain .Possible nested set"),
        (rf"a{{99999999999}}{VALUE}", "plain .the repetition number"),
        ("(" * 3000 + VALUE + ")" * 3000, "fewer groups within groups"),
    ],
)
def test_what_cannot_be_used_is_a_sentence(text, says):
    with pytest.raises(PatternError, match=says) as caught:
        line_pattern(text)
    assert "\n" not in str(caught.value)


# Textbook cases of patterns that run away: nested repeats, repeated alternatives that overlap, repeats of what may be empty (common
# practice, no source), and three neighbours that overlap, which run for the third power of the line.
RUNAWAY = [
    r"(\w+)*=",
    r"(\w+)+=",
    r"(a|a)*=",
    r"(a|ab)*b=",
    r"(a?)*=",
    r"(?:(?:a?){900}){900}",
    r"(.*)*",
    r".*.*.*=",
    r"(\w+\s?)*!",
]


@pytest.mark.parametrize("text", RUNAWAY)
def test_what_can_run_away_is_refused(text):
    with pytest.raises(PatternError, match="cannot run away"):
        line_pattern(text + VALUE)


def test_one_that_is_refused_does_run_away():
    """The refusal is for a reason: each letter more doubles the time, on a line a tenth of the longest."""

    def seconds(letters: int) -> float:
        begun = time.thread_time()
        assert re.fullmatch(r"(\w+)*=", "a" * letters) is None
        return time.thread_time() - begun

    assert seconds(20) > 20 * seconds(12)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (r"\w+=", 1),  # the character behind cannot be one of its own
        (r"\w+1", LONGEST),  # one for each length
        (r"\w*1", LONGEST + 1),
        (r"\w{2,5}1", 4),
        (r"\w?1", 2),
        (r"-?\d", 1),
        (r"(?:a|b)c", 1),
        (r"(?:a|ab)b", 2),
        (r".*\d+.*", (LONGEST + 1) * LONGEST),
        (r"(?i)a+A", LONGEST),
        (r"a+A", 1),
        (r"[^=]+=", 1),
        (r"[^=]+é", LONGEST),
        (r"\S+\s\D+\d\W*\w", 1),
    ],
)
def test_ways_are_counted(text, expected):
    assert ways(text) == expected


def library_ways(text: str) -> float:
    """The count over the tree of the standard library's own reader, which is private and may go: a witness here, no more."""
    parser = pytest.importorskip("re._parser")
    return patterns._Count(bool(patterns._FOLDS.search(text))).ways(list(parser.parse(text, re.ASCII)), 0)


@pytest.mark.parametrize(
    "text",
    [
        *GOOD, *RUNAWAY, r"a{,3}a", r"a{2,}a", r"a{x}a", r"a{,}a", r"a{}a", r"{a", "[]a]+]", "[^]a]+b", "[a-]+-", r"[\]\-z]+\\",
        r"[\d-]+-", r"[\x41-\x43]+B", r"\x41+A", r"[\b]+\x08", r"\ba+\b", r"\u00e9+é", r"^a+$", r"(?i)[a-c]+B", r"(?i:a)+A",
        r"(?:abc|abd)+", r"(?:ab|ac|a)+", r"(?>a+)a", r"a*+a", r"a*?a", r"(?P<value>a|b)+c", r"\.+\.", r"\[+\[", "é+é", "|a",
        r"[a-c\s]+\t", r"[\S]+a", r"\n+\s", r"(?-i:a)+a", "(|a)a",
    ],
)  # fmt: skip
def test_a_pattern_is_read_as_the_library_reads_it(text):
    re.compile(text, re.ASCII)
    assert ways(text) == library_ways(text)


@pytest.mark.parametrize(
    "text",
    [r"(?x)a b", r"(?s).", r"(?#no)a", r"(?<=a)b", r"(?P<q>a)(?P=q)", r"(a)?(?(1)b|c)", r"\07", r"\N{DOT ABOVE}"],
)
def test_what_is_not_plain_is_not_counted(text):
    re.compile(text, re.ASCII)
    with pytest.raises(ValueError, match=r"^(it|a) "):
        ways(text)


ATOMS = st.sampled_from(["a", "1", "=", " ", r"\d", r"\w", ".", "[^=]", "[a1]", r"\S", "(?:a|1)", "(?:ab|a)", "(?i:A)"])
REPEATS = st.sampled_from(["", "*", "+", "?", "{1,3}", "{2}", "*?", "+?", "{0,40}", "++"])


def joined(inner):
    piece = st.tuples(ATOMS | inner.map("(?:{})".format), REPEATS).map("".join)
    row = st.lists(piece, min_size=1, max_size=4).map("".join)
    return row | st.tuples(row, row).map("|".join)


PATTERNS = st.recursive(ATOMS, joined, max_leaves=8)
PUMPS = st.text("a1= b", min_size=1, max_size=4)


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow])
@given(PATTERNS, PATTERNS, PUMPS, PUMPS, st.sampled_from("!;~a1"))
def test_none_that_is_let_in_runs_long(first, second, pump, other, end):
    """A quarter of a second on the longest line; the worst of 837 patterns x 9 lines took 0.04 s on a busy core."""
    try:
        pattern = line_pattern(f"(?P<value>{first})(?:{second})")
    except PatternError:
        assume(False)
    half = LONGEST // 2
    line = ((pump * half)[:half] + (other * half)[: half - 1]) + end
    begun = time.thread_time()
    pattern.regex.fullmatch(line)
    assert time.thread_time() - begun < 0.25


@settings(deadline=None)
@given(PATTERNS)
def test_no_pattern_is_counted_for_less_than_the_library_s_tree_gives(text):
    """Ours takes apart a little less than the library does, so it may count more, and never less."""
    re.compile(text, re.ASCII)
    assert ways(text) >= library_ways(text)


@given(st.text(st.sampled_from("()[]{}?*+|\\.^$-,:<>=!PivaluedwS1é#\n "), max_size=40) | st.text(max_size=40))
def test_any_text_is_a_pattern_or_a_sentence(text):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            found = line_pattern(text)
        except PatternError as error:
            assert str(error)
        else:
            assert ways(text) <= MOST_WAYS
            assert found.numbers
