"""`inchwatch debrief`: where the report goes, what it never writes over, and what it says where there is none."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.debrief.deck import Deck
from monitor.debrief.notes import Notes
from monitor.debrief.player import Player
from monitor.report import printing
from monitor.report.writing import Told

STUCK = Path(__file__).resolve().parents[3] / "recordings" / "stuck-shore.jsonl"


@pytest.fixture
def path(tmp_path) -> Path:
    """The first second of a recording, cut off."""
    it = tmp_path / "yard.jsonl"
    it.write_bytes(b"".join(STUCK.read_bytes().splitlines(keepends=True)[:300]))
    return it


def test_it_goes_beside_the_recording_and_replaces_an_older_one(path, capsys):
    report = path.with_name("yard.report.html")
    report.write_text("older")
    assert main(["debrief", str(path)]) == 0
    assert capsys.readouterr().out == f"{report}\n"
    assert report.read_text().startswith("<!DOCTYPE html>")
    assert sorted(it.name for it in path.parent.iterdir()) == ["yard.jsonl", "yard.report.html"]


def test_a_score_sheet_stands_in_it(path, capsys):
    form = path.with_name("form.toml")
    assert main(["score", "--example"]) == 0
    form.write_text(capsys.readouterr().out)
    report = path.with_name("scored.html")
    assert main(["debrief", str(path), "-o", str(report), "--form", str(form)]) == 0
    text = report.read_text()
    assert text.index('<section id="score"') < text.index("NOT PASSED") < text.index('<section id="figures"')


@pytest.mark.parametrize("name", ["yard.jsonl", "yard.notes.jsonl", "report.txt", "report"])
def test_it_ends_as_a_report_does(path, name, capsys):
    before = path.read_bytes()
    assert main(["debrief", str(path), "-o", str(path.with_name(name))]) == 2
    assert "a report ends in .html, .htm or .pdf" in capsys.readouterr().err
    assert path.read_bytes() == before


def test_it_never_writes_over_what_it_is_made_from(path, capsys):
    before = path.read_bytes()
    other = path.with_name("other.html")
    other.symlink_to(path)
    assert main(["debrief", str(path), "-o", str(other)]) == 2
    assert "this is yard.jsonl itself" in capsys.readouterr().err
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("call", "code", "said"),
    [
        (["nothing.jsonl"], 1, "inchwatch debrief: nothing.jsonl: No such file"),
        (
            ["yard.jsonl", "-o", "no/such/folder/report.html"],
            1,
            "the report cannot be written (no such file or directory)",
        ),
        (
            ["yard.jsonl", "-o", "report.pdf", "--browser", "no-such-browser"],
            2,
            "--browser no-such-browser: there is no such",
        ),
        (["yard.jsonl", "--form", "no-such-form.toml"], 2, "no-such-form.toml"),
    ],
)
def test_what_cannot_be_is_one_sentence(path, monkeypatch, capsys, call, code, said):
    monkeypatch.chdir(path.parent)
    assert main(["debrief", *call]) == code
    told = capsys.readouterr()
    assert said in told.err
    assert "Traceback" not in told.err
    assert told.out == ""
    assert sorted(it.name for it in path.parent.iterdir()) == ["yard.jsonl"]


def test_without_a_browser_it_says_what_to_do(path, monkeypatch, capsys):
    monkeypatch.setenv("PATH", str(path.parent))
    assert main(["debrief", str(path), "-o", str(path.with_suffix(".pdf"))]) == 2
    assert "install one, name it with --browser, or write report.html" in capsys.readouterr().err


def test_a_browser_that_prints_nothing_is_told(path, capsys):
    broken = path.with_name("broken")
    broken.write_text("#!/bin/sh\necho it hurts >&2\nexit 3\n")
    broken.chmod(0o755)
    call = ["debrief", str(path), "-o", str(path.with_suffix(".pdf")), "--browser", str(broken)]
    assert main(call) == 1
    assert "made no PDF (it hurts)" in capsys.readouterr().err
    assert sorted(it.name for it in path.parent.iterdir()) == ["broken", "yard.jsonl"]


def test_a_browser_that_never_ends_is_ended(path, monkeypatch, capsys):
    monkeypatch.setattr(printing, "LONGEST_S", 0.2)
    stuck = path.with_name("stuck")
    stuck.write_text("#!/bin/sh\nsleep 600\n")
    stuck.chmod(0o755)
    assert main(["debrief", str(path), "-o", str(path.with_suffix(".pdf")), "--browser", str(stuck)]) == 1
    assert "has printed nothing" in capsys.readouterr().err


@pytest.mark.skipif(not any(map(shutil.which, printing.BROWSERS)), reason="no browser that prints is installed")
def test_a_pdf_is_printed_by_a_real_browser(path):
    pdf = path.with_suffix(".pdf")
    assert main(["debrief", str(path), "-o", str(pdf)]) == 0
    made = pdf.read_bytes()
    assert made.startswith(b"%PDF-")
    assert made.rstrip().endswith(b"%%EOF")
    assert made.count(b"/Type /Page\n") > 2
    assert sorted(it.name for it in path.parent.iterdir()) == ["yard.jsonl", "yard.pdf"]


def test_the_deck_writes_it_beside_the_replay_and_says_so(path, wait_until):
    deck = Deck(Player(path), Notes(path), "trainer", report=Told)
    deck.start()
    try:
        assert deck.reported == ""
        deck.report()
        wait_until(lambda: deck.reported.startswith("the report is written"))
        assert path.with_name("yard.report.html").read_text().startswith("<!DOCTYPE html>")
        assert deck.trouble == ""
        path.with_name("yard.report.html").unlink()
        path.with_name("yard.report.html").mkdir()
        deck.report()
        wait_until(lambda: deck.reported.startswith("no report: "))
        assert "cannot be written" in deck.reported
        assert deck.trouble == ""
    finally:
        deck.stop()
