"""Evaluation forms and marks: what they may say, and that whatever else they say is refused in sentences with a line."""

from __future__ import annotations

from importlib.resources import files

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.debrief.figures import KINDS
from monitor.report.form import parse_form, read_form
from monitor.report.marking import parse_marks
from monitor.rig.load import RigFaults

EXAMPLE = files("monitor.report").joinpath("forms/yard-panel.toml").read_text(encoding="utf-8")
HEAD = 'version = 1\n[form]\nname = "Invented"\n[[criterion]]\nname = "One"\npoints = 10\n'


def faults(text: str) -> list[str]:
    with pytest.raises(RigFaults) as caught:
        parse_form(text, "form.toml")
    return str(caught.value).splitlines()


def test_the_example_is_a_form():
    form = parse_form(EXAMPLE)
    assert sum(asked.points for asked in form.asked) == 135
    assert sum(asked.kind is None for asked in form.asked) == 2
    gap = next(asked for asked in form.asked if asked.criterion.figure == "gap.greatest_m")
    assert [(band.low, band.high, band.points) for band in gap.bands] == [
        (None, 0.006, 15.0),
        (None, 0.01, 10.0),
        (None, 0.015, 4.0),
    ]


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        ('figure = "gap.greatest"\nfull = "6 mm"', "form.toml:7: criterion[0].figure (One): found 'gap.greatest'; allowed is"),
        ('figure = "gap.greatest"\nfull = "6 mm"', "did you mean 'gap.greatest_m'?"),
        ('figure = "gap.greatest_m"\nfull = "6 bar"', "form.toml:8: criterion[0].full (One): found '6 bar'; allowed is a length"),
        ('figure = "gap.greatest_m"\nfull = 6', "found 6.0; allowed is a length such as '1.2 m' (m, mm, cm, in, ft)"),
        ('figure = "gap.greatest_m"', "found neither; allowed is 'full' or 'between', and one of them"),
        ('figure = "danger.count"\nfull = 0.5', "found 0.5; allowed is a whole number, 0 or more"),
        ('figure = "danger.count"\nfull = nan', "allowed is a whole number, 0 or more"),
        ('figure = "danger.count"\nfull = inf', "allowed is a whole number, 0 or more"),
        ('figure = "plan.abandoned"\nfull = 0', "found 0.0; allowed is true or false"),
        ('figure = "step.took_s"\nfull = "9 s"', "criterion[0].of (One): found nothing; allowed is the name of one step"),
        ('figure = "gap.over_s"\nof = "N1"\nfull = "9 s"', "found 'N1'; allowed is nothing: it is of all"),
        ('figure = "rise.greatest_m"\nfull = "9 mm"', "'less' or 'more': 'rise.greatest_m' itself does not say"),
        ('figure = "gap.over_s"\nwant = "more"\nfull = "9 s"', "found 'more'; allowed is 'less'"),
        ('figure = "gap.over_s"\nfull = "9 s"\npart = [["5 s", 3]]', "part[0][0] (One): found '5 s'; allowed is a limit"),
        ('figure = "gap.over_s"\nfull = "9 s"\npart = [["12 s", 10]]', "found 10 points; allowed is fewer than 10"),
        ('figure = "gap.over_s"\nbetween = ["9 s", "2 s"]', "found '9 s' before '2 s'; allowed is the lower one first"),
        ('figure = "gap.over_s"\nbetween = ["1 s", "2 s"]\npart = [["5 s", 3]]', "nothing beside 'between'"),
        ('full = "6 mm"', "criterion[0].full (One): found '6 mm'; allowed is a free criterion without it"),
        ('figure = "gap.over_s"\nfull = 2020-01-01', "allowed is a number, a text with a number and its unit, or true or false"),
        ('figures = "gap.over_s"', "found a key that means nothing here; allowed is one of between,"),
        ('must = "always"', "'full' or 'some'"),
        ('weight = true', "form.toml:7: criterion[0].weight (One): found true"),
        ('[[criterion]]\nname = "One"\npoints = 1', "form.toml:8: criterion[1].name (One): found 'One'; allowed is a name that no"),
        ('[[criterion]]\nname = "Two"', "'points' may not be left out"),
        ('[[criterion]]\nname = "T\\u001b[2J"\npoints = 1', "allowed is one line of text"),
    ],
)  # fmt: skip
def test_each_fault_is_a_sentence_with_its_place(lines, says):
    said = faults(f"{HEAD}{lines}\n")
    assert any(says in line for line in said), said
    assert all(line.isprintable() for line in said)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "'version' may not be left out"),
        ("version = 2", "form.toml:1: version: found 2; allowed is 1"),
        ("criterion = 5", "criterion: found 5; allowed is a"),
        ("criterion = [5]", "criterion[0]: found 5; allowed is a table"),
        ("version = ", "form.toml:1: found 'version ='; allowed is TOML"),
        ("[" * 100000, "form.toml:1: found"),
        ('version = 1\nform = 3\ncriterion = "x"', "form: found 3; allowed is a table"),
    ],
)
def test_what_is_no_form_is_a_sentence(text, says):
    assert any(says in line for line in faults(text)), faults(text)


def test_all_faults_are_said_at_once_in_order_of_lines():
    said = faults(
        'version = 3\n[form]\n[[criterion]]\nname = "A"\npoints = 0\n[[criterion]]\nname = "B"\npoints = 1\nof = "x"\n'
    )
    assert [line.split(":")[1] for line in said] == ["1", "2", "5", "9"]


@settings(max_examples=40)
@given(data=st.data())
def test_a_form_that_is_written_badly_is_never_a_traceback(data):
    """The example with a piece cut out, doubled, or replaced by what a hand or a hostile writer may put there."""
    start = data.draw(st.integers(0, len(EXAMPLE)))
    end = data.draw(st.integers(start, min(len(EXAMPLE), start + 40)))
    odd = [
        "",
        "\x00",
        "[[",
        '"""',
        "nan",
        "-1e999",
        "9" * 400,
        "true",
        "[[[1]]]",
        "{a=1}",
        "\u202e",
        "criterion",
        "\r",
        "1979-05-27",
    ]
    text = EXAMPLE[:start] + data.draw(st.sampled_from(odd) | st.text(max_size=8)) + EXAMPLE[end:]
    try:
        form = parse_form(text)
    except RigFaults as refused:
        assert refused.faults
        assert all(it.line >= 1 and it.found and it.allowed for it in refused.faults)
        assert str(refused).replace("\n", "").isprintable()
    else:
        assert all(asked.points > 0.0 for asked in form.asked)


@given(name=st.sampled_from(sorted(KINDS)))
def test_every_figure_can_be_asked_for(name):
    kind = KINDS[name]
    limit = {"count": "3", "yes": "true", "1": "0.5", "s": '"3 s"', "m": '"3 mm"', "m/s": '"3 mm/s"', "rad": '"1 deg"'}
    of = '\nof = "worst"' if kind.family in ("step", "shore", "stack", "bag", "channel", "alarm") else ""
    want = "" if kind.better else '\nwant = "less"'
    unit = limit.get(kind.unit, {"N": '"3 kN"', "Pa": '"3 bar"'}.get(kind.unit))
    form = parse_form(f'{HEAD}figure = "{name}"\nfull = {unit}{of}{want}\n')
    assert form.asked[0].kind is kind


def test_a_file_that_is_not_there_is_a_sentence(tmp_path):
    with pytest.raises(RigFaults, match="no readable file"):
        read_form(tmp_path / "none.toml")
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(RigFaults) as caught:
        read_form(tmp_path / "bytes.toml")
    assert "an evaluation form: TOML text in UTF-8" in str(caught.value)


ORDERS = "Orders loud, repeated, and by one person"


def test_marks_are_for_free_criteria_and_within_their_points():
    form = parse_form(EXAMPLE)
    marks = parse_marks(
        f'version = 1\nby = "invented"\n[[mark]]\ncriterion = "{ORDERS}"\npoints = 12\nsays = "late once"\n', form
    )
    assert [(it.points, it.by, it.says) for it in marks] == [(12.0, "invented", "late once")]


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        (
            'criterion = "Shores follow"\npoints = 3',
            "m.toml:4: mark[0].criterion: found 'Shores follow', which is measured",
        ),
        ('criterion = "Singing"\npoints = 3', "allowed is a free criterion of the form: 'Orders loud"),
        (f'criterion = "{ORDERS}"\npoints = 16', "m.toml:5: mark[0].points: found 16; allowed is at most 15"),
        (f'criterion = "{ORDERS}"\npoints = -1', "greater than or equal to 0"),
        (f'criterion = "{ORDERS}"\npoints = 1\n[[mark]]\ncriterion = "{ORDERS}"\npoints = 1', "not marked yet"),
        ('criterion = "x"\npoints = 3\nwho = "x"', "a key that means nothing here"),
    ],
)
def test_bad_marks_are_sentences(lines, says):
    with pytest.raises(RigFaults) as caught:
        parse_marks(f'version = 1\nby = "invented"\n[[mark]]\n{lines}\n', parse_form(EXAMPLE), "m.toml")
    assert says in str(caught.value)
