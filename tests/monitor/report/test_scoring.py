"""`inchwatch score` on a real recording, and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.report.form import parse_form

RECORDING = Path(__file__).resolve().parents[3] / "recordings" / "stuck-shore.jsonl"


def test_a_recording_is_scored_with_the_example_form_and_marks(tmp_path, capsys):
    """From the verdict beside it: a gap of 10.6 mm (of 15 points 4), 4.7 s beyond what is allowed (of 5 points 3), no danger, no
    fault of order, the first step within 20.5 s, step 3 not ended, nobody ticked an item. Marks invented: 15 and 12."""
    assert main(["score", "--example"]) == 0
    (tmp_path / "form.toml").write_text(capsys.readouterr().out)
    parse_form((tmp_path / "form.toml").read_text())
    (tmp_path / "marks.toml").write_text(
        'version = 1\nby = "invented"\n'
        '[[mark]]\ncriterion = "Orders loud, repeated, and by one person"\npoints = 12\n'
        '[[mark]]\ncriterion = "Nobody under the load before it is captured"\npoints = 15\n'
    )
    call = [
        "score",
        str(RECORDING),
        "--form",
        str(tmp_path / "form.toml"),
        "--marks",
        str(tmp_path / "marks.toml"),
        "--json",
    ]
    assert main(call) == 0
    told = json.loads(capsys.readouterr().out)
    earned = {it["criterion"]: (it["earned"], it["possible"]) for it in told["criteria"]}
    assert earned == {
        "Right bag, right order": (20, 20),
        "Nothing dangerous": (15, 15),
        "Dangers acknowledged": (0, 0),
        "STOP after a danger": (0, 0),
        "Shores follow": (4, 15),
        "Little time behind": (3, 5),
        "Captured on the way": (10, 10),
        "First stop": (5, 5),
        "Stopped where the plan says": (0, 10),
        "Checklist gone through": (0, 5),
        "Orders loud, repeated, and by one person": (12, 15),
        "Nobody under the load before it is captured": (15, 15),
    }
    assert (told["earned"], told["possible"], told["passed"]) == (84, 115, True)
    assert told["damage"] is None


def test_what_cannot_be_scored_is_a_sentence(tmp_path, capsys):
    form = tmp_path / "form.toml"
    form.write_text('version = 1\n[form]\nname = "x"\n[[criterion]]\nname = "c"\npoints = 0\n')
    assert main(["score", str(RECORDING), "--form", str(form)]) == 2
    assert f"{form}:6: criterion[0].points (c): found 0; allowed is" in capsys.readouterr().err
    form.write_text('version = 1\n[form]\nname = "x"\n[[criterion]]\nname = "c"\npoints = 1\n')
    assert main(["score", str(tmp_path / "none.jsonl"), "--form", str(form)]) == 1
    assert capsys.readouterr().err.startswith("inchwatch score: ")
    with pytest.raises(SystemExit):
        main(["score", str(RECORDING)])
    assert "score needs a FILE and --form" in capsys.readouterr().err


def test_the_figures_are_listed(capsys):
    assert main(["score", "--figures"]) == 0
    assert "gap.greatest_m" in capsys.readouterr().out
    assert main(["score", "--figures", "--json"]) == 0
    listed = {it["figure"]: it for it in json.loads(capsys.readouterr().out)}
    assert listed["step.took_s"] == {
        "figure": "step.took_s",
        "of": "step",
        "unit": "s",
        "better": "less",
        "means": "from its last beginning to its end",
    }
