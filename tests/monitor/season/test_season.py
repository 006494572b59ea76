"""A season's file: what it holds, that a run goes on where another was cut off, and what is told of it."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from monitor.cli import main
from monitor.debrief.figures import WHOLE
from monitor.season.command import Call, judge_many
from monitor.season.table import TableError, moment, read, write
from monitor.season.telling import headline, season
from monitor.season.view import groups, known_figures

S = 1_000_000_000


@pytest.fixture(scope="module")
def result(made, tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("result") / "season.parquet"
    assert judge_many(Call([str(made)], output=str(path))) == 1  # one file is no recording
    return path


def test_a_row_a_session_and_a_column_a_figure_with_its_unit(result):
    schema = pq.read_schema(result)
    for kind in WHOLE:
        told = {key.decode(): value.decode() for key, value in schema.field(kind.name).metadata.items()}
        assert told == {"unit": kind.unit, "better": kind.better, "means": kind.means}
    rows = read(result)
    assert [Path(row["file"]).name for row in rows] == ["lift-1.jsonl", "lift-2.jsonl", "lift-3.jsonl", "none.jsonl"]
    first, _, torn, none = rows
    assert (first["rig"], first["folder"], first["started"]) == (
        "yard-panel",
        "north",
        datetime(2026, 1, 3, tzinfo=UTC),
    )
    assert first["recording.same_as_live"] == 1.0
    assert {"figure", "about", "value", "known", "because"} == set(first["things"][0])
    assert torn["damage"].startswith("torn: it ends in the middle of line")
    assert torn["recording.readings"] < first["recording.readings"]
    assert none["trouble"].endswith(
        "none.jsonl: is no recording: not JSON (invalid literal, expected 'null': line 1 column 1 (char 0))"
    )
    assert none["recording.readings"] is None
    assert "plan.took_s" in {it["figure"] for it in first["partly"]}


def test_what_was_judged_is_not_judged_again_unless_something_changed(few, tmp_path, capsys):
    call = Call([str(few)], output=str(tmp_path / "season.parquet"))
    judge_many(call)
    before = read(tmp_path / "season.parquet")
    capsys.readouterr()
    (few / "lift-1.jsonl").rename(few / "renamed.jsonl")
    edited = (few / "lift-2.jsonl").read_bytes()
    (few / "lift-2.jsonl").write_bytes(edited.replace(b'"v":0.', b'"v":1.', 1))  # as long, under the same seal
    judge_many(call)
    assert "3 judged, 2 of them before" in capsys.readouterr().out
    after = {Path(row["file"]).name: row for row in read(tmp_path / "season.parquet")}
    assert after["renamed.jsonl"] | {"file": ""} == before[0] | {"file": ""}
    assert after["lift-2.jsonl"]["damage"].startswith("changed:")
    limits = tmp_path / "limits.toml"
    limits.write_text('[limits]\nrise_rate = "3 mm/s"\n')
    judge_many(Call([str(few)], output=str(tmp_path / "season.parquet"), limits=str(limits)))
    assert "of them before" not in capsys.readouterr().out
    (row, *_) = read(tmp_path / "season.parquet")
    assert row["limits"] == '{"rise_rate":"3 mm/s"}'
    assert row["recording.same_as_live"] is None


def test_a_run_that_was_killed_goes_on(few, tmp_path, wait_until, capsys):
    result = tmp_path / "season.parquet"
    call = [sys.executable, "-m", "monitor", "judge", str(few), "-o", str(result)]
    rows = result.with_name("season.parquet.rows")
    with subprocess.Popen(call, env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}) as run:
        wait_until(lambda: rows.exists() and rows.stat().st_size > 0, 60, "one is judged")
        run.kill()
    assert not result.exists()
    done = rows.read_bytes().count(b"\n")
    with rows.open("ab") as file:
        file.write(b'{"file": "torn')  # what a kill leaves in the middle of a line
    assert judge_many(Call([str(few)], output=str(result))) == 1
    assert f"3 judged, {done} of them before" in capsys.readouterr().out
    assert not rows.exists()
    assert len(read(result)) == 4


def test_an_interrupt_ends_it_tidily(few, tmp_path, wait_until):
    result = tmp_path / "season.parquet"
    call = [sys.executable, "-m", "monitor", "judge", str(few), "--workers", "2", "-o", str(result)]
    rows = result.with_name("season.parquet.rows")
    with subprocess.Popen(
        call, env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}, stderr=subprocess.PIPE, text=True
    ) as run:
        wait_until(lambda: rows.exists() and rows.stat().st_size > 0, 60, "one is judged")
        run.send_signal(signal.SIGINT)
        said = run.communicate(timeout=60)[1]
    assert "Traceback" not in said
    assert ("stopped: " in said and run.returncode == 1) or result.exists()


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "is no whole Parquet file"),
        (b"PAR1 and no more", "is no whole Parquet file"),
        (b"a word\n", "is no whole Parquet file"),
        (None, "No such file"),
    ],
)
def test_what_is_no_season_is_a_sentence(tmp_path, capsys, content, says):
    path = tmp_path / "it.parquet"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(TableError):
        read(path)
    assert season(str(path), by="rig", figures=[], as_json=False, html=None) == 1
    said = capsys.readouterr().err
    assert says in said
    assert said.count("\n") == 1


def test_a_damaged_season_is_read_or_refused_with_a_sentence(result, tmp_path):
    content, path = result.read_bytes(), tmp_path / "it.parquet"
    for at in range(0, len(content), 997):
        path.write_bytes(content[:at])
        with pytest.raises(TableError):
            read(path)
    for at in range(0, len(content), 211):
        path.write_bytes(content[:at] + bytes([content[at] ^ 0x55]) + content[at + 1 :])
        try:
            groups(read(path), "rig", known_figures([]))
        except TableError as error:
            assert str(error).startswith(f"{path}: ")


READS = """
import os, sys
from pathlib import Path
import pyarrow.parquet
from monitor.season.table import read
before = len(os.listdir("/proc/self/task"))
read(Path(sys.argv[1]))
print(len(os.listdir("/proc/self/task")) - before)
"""


def test_a_season_is_read_by_no_thread_of_the_librarys(result):
    """One of those may outlive the interpreter and end it by SIGABRT, all said and done: a run of ten on a busy computer."""
    done = subprocess.run([sys.executable, "-c", READS, str(result)], capture_output=True, text=True, check=True)
    assert done.stdout == "0\n"


def test_a_table_of_another_kind_is_refused(tmp_path):
    import pyarrow as pa

    pq.write_table(pa.table({"a": [1]}), tmp_path / "other.parquet")
    with pytest.raises(TableError, match="is no season"):
        read(tmp_path / "other.parquet")


def season_of(gaps: list[float], folder: str = "north") -> list[dict]:
    """A session a week with these gaps (m). Invented."""
    begun = datetime(2026, 1, 5, tzinfo=UTC)
    return [
        {"trouble": None, "damage": None, "rig": "yard", "folder": folder, "gap.greatest_m": gap,
         "started": begun + timedelta(weeks=i)}
        for i, gap in enumerate(gaps)
    ]  # fmt: skip


def test_a_gap_that_shrinks_is_said_to_be_better():
    falling = [0.012 - 0.0002 * i + 0.0001 * (i % 3) for i in range(30)]
    ((line,),) = (it.lines for it in groups(season_of(falling), "rig", ["gap.greatest_m"]))
    assert line.word == "falls: better"
    assert line.trend.slope == pytest.approx(-0.0002 * 30.4375 / 7.0, rel=0.05)
    assert [n for _, _, _, n in line.months][:2] == [4, 4]


def test_chance_is_no_trend_and_folders_are_told_apart():
    rows = season_of([0.01 + 0.001 * (i * 7 % 5) for i in range(30)]) + season_of([0.02] * 3, "south")
    north, south = groups(rows, "folder", ["gap.greatest_m"])
    assert (north.name, south.name) == ("north", "south")
    assert north.lines[0].word == ""
    assert south.lines[0].trend is None  # too few
    assert headline(groups(season_of([0.02], "south"), "folder", ["gap.greatest_m"])[0]).startswith(
        "south: 1 session, "
    )


def test_many_figures_together_need_more_to_be_said():
    """Holm 1979: what is one in twenty-five by itself is said alone and not beside others."""
    values = [0.01 + 0.0001 * it for it in (0, 3, 1, 2, 4, 2, 3, 5, 2, 6)]
    alone = groups(season_of(values), "all", ["gap.greatest_m"])[0].lines[0]
    assert 0.01 < alone.trend.p < 0.05
    assert alone.said
    rows = [row | {"tilt.greatest_rad": 0.1 * (i * 7 % 5)} for i, row in enumerate(season_of(values))]
    rows = [
        row | {"fall.greatest_m": 0.1 * (i * 3 % 7), "rise.greatest_m": 0.1 * (i * 5 % 3)} for i, row in enumerate(rows)
    ]
    names = ["gap.greatest_m", "tilt.greatest_rad", "fall.greatest_m", "rise.greatest_m"]
    assert not groups(rows, "all", names)[0].lines[0].said


def test_what_lies_deeper_is_told_by_everyone_who_takes_a_folder(few, tmp_path, capsys):
    (few / "day").mkdir()
    shutil.copy(few / "lift-1.jsonl", few / "day" / "lift-4.jsonl")
    says = f"{few}: not read: 1 file that may be recordings, in folders below it; give those folders as well, such as {few}/day\n"
    calls = (
        ["judge"],
        ["judge", "--json", "--workers", "2"],
        ["judge", "-o", str(tmp_path / "s.parquet")],
        ["compare"],
    )
    for command, *more in calls:
        main([command, str(few), *more])
        assert capsys.readouterr().err.startswith(f"inchwatch {command}: {says}")
    main(["judge", str(few), str(few / "day"), "-o", str(tmp_path / "s.parquet")])
    said = capsys.readouterr()
    assert "not read" not in said.err
    assert "5 sessions, 4 judged, 4 of them before" in said.out
    assert [it["folder"] for it in read(tmp_path / "s.parquet")] == [*["north"] * 4, "day"]


def test_the_same_bytes_under_two_names_are_two_rows_and_count_once(few, tmp_path, capsys):
    """A crew copies a stick into its folder: one lift had weighed twice in every trend."""
    shutil.copy(few / "lift-2.jsonl", few / "stick.jsonl")
    call, result = Call([str(few)], output=str(tmp_path / "season.parquet")), tmp_path / "season.parquet"
    for before in ("", ", 4 of them before"):
        judge_many(call)
        said = capsys.readouterr()
        assert f"5 sessions, 4 judged{before}, 1 of them damaged; 1 could not" in said.out
        assert (
            f"{few / 'stick.jsonl'}: the same bytes as {few / 'lift-2.jsonl'}: a row each, one session to" in said.err
        )
        rows = read(result)
        assert [Path(it["file"]).name for it in rows][-1] == "stick.jsonl"
        assert rows[-1] | {"file": ""} == rows[1] | {"file": ""}
    assert season(str(result), by="folder", figures=["recording.readings"], as_json=True, html=None) == 0
    (north,) = json.loads(capsys.readouterr().out)["groups"]
    assert (north["sessions"], north["copies"], north["judged"]) == (4, 1, 3)
    assert [it["sessions"] for it in north["figures"]] == [3]
    assert season(str(result), by="folder", figures=["recording.readings"], as_json=False, html=None) == 0
    assert "(1 not judged, 1 damaged, 1 copy of the same bytes, counted once)" in capsys.readouterr().out
    shutil.copy(few / "lift-1.jsonl", few / "zest.jsonl")
    judge_many(call)
    said = capsys.readouterr().err
    assert said.count("the same bytes as") == 1, "a season on a stick is one sentence"
    assert f"{few / 'lift-2.jsonl'}, and 1 more such: a row each" in said


def test_of_two_copies_the_one_that_was_judged_counts_and_what_was_not_read_is_no_copy():
    (row,) = season_of([0.02])
    lost = row | {"trouble": "its process ended", "sha256": "a", "gap.greatest_m": None}
    (group,) = groups([lost, row | {"sha256": "a"}, row | {"sha256": "a"}], "all", ["gap.greatest_m"])
    assert (group.sessions, group.copies, group.judged, len(group.lines[0].points)) == (1, 2, 1, 1)
    (group,) = groups([lost | {"sha256": None}, lost | {"sha256": None}], "all", ["gap.greatest_m"])
    assert (group.sessions, group.copies) == (2, 0)


def test_an_unknown_figure_is_a_sentence():
    with pytest.raises(ValueError, match="found 'gap', allowed is one of recording"):
        known_figures(["gap"])


def test_a_season_is_told_in_words_as_json_and_as_a_page(result, tmp_path, capsys):
    page = tmp_path / "season.html"
    assert season(str(result), by="folder", figures=["recording.readings"], as_json=False, html=str(page)) == 0
    said = capsys.readouterr().out
    assert "north: 4 sessions, 2026-01-03 to 2026-03-03 (1 not judged, 1 damaged)" in said
    assert "recording.readings" in said
    text = page.read_text()
    assert "<svg" in text
    assert not any(it in text for it in ("http:", "https:", "<script", "url("))


def test_a_beginning_that_no_calendar_has_is_none():
    assert moment("2026-01-01T12:00:00+02:00") == datetime(2026, 1, 1, 10, tzinfo=UTC)
    assert moment("2026-01-01T12:00:00") == datetime(2026, 1, 1, 12, tzinfo=UTC)
    assert [moment(it) for it in ("", "noon", "0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-10:00")] == [None] * 4


def test_a_page_takes_no_place_but_a_page_s_own(result, tmp_path, capsys):
    kept = result.read_bytes()
    assert season(str(result), by="rig", figures=[], as_json=False, html=str(result)) == 2
    assert capsys.readouterr().err == f"inchwatch season: {result}: a page ends in .html or .htm\n"
    assert result.read_bytes() == kept
    assert season(str(result), by="rig", figures=[], as_json=False, html=str(tmp_path / "no" / "it.html")) == 1
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert not list(tmp_path.iterdir())


def test_what_is_read_is_written_again_the_same(result, tmp_path):
    from monitor.season.table import as_rows

    write(tmp_path / "again.parquet", list(as_rows(result)))
    assert read(tmp_path / "again.parquet") == read(result)
