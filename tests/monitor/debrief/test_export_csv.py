"""A recording as CSV: to the bit what the journal and the engine say, every column described, nothing written over."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from dataclasses import fields

import orjson
import pytest

from monitor.debrief.rows import SHARES, Rows, unit_of
from monitor.engine import picture as parts
from replay.export.table import Kind

from .exported import RECORDING, START_NS, Said, bits, export, figures


def rows(path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file, strict=True))


def number(text: str) -> float | None:
    return None if text == "" else float(text)


def test_every_value_comes_back_to_the_bit(cut_off, said: Said, tmp_path, capsys):
    assert export(cut_off, tmp_path / "out.csv") == 0
    assert "not closed: it stops after line 1500" in capsys.readouterr().err
    readings = rows(tmp_path / "out.readings.csv")
    assert [(int(it["time_ns"]), it["channel"], bits(number(it["value"])), int(it["sequence"])) for it in readings] == [
        (it.time_ns, it.channel, bits(it.value), it.sequence) for it in said.readings
    ]
    assert all(it["unit"] == said.units[it["channel"]] for it in readings)
    assert {it["device_time_ns"] for it in readings} == {""}, "not told: empty, and no zero"
    assert all(float(it["time_s"]) == int(it["time_ns"]) / 1e9 for it in readings)
    assert readings[0]["wall_time"].startswith("2026-01-01T09:00:00.")
    pictures = rows(tmp_path / "out.pictures.csv")
    assert len(pictures) == len(said.pictures) > 50
    unknown = 0
    for row, picture in zip(pictures, said.pictures, strict=True):
        for name, value in figures(picture).items():
            assert bits(number(row[name])) == bits(value)
            assert row[name] == ("" if value is None else repr(value)), "in its shortest form"
            unknown += value is None
    assert unknown > 100
    assert [(it["do"], it["by"]) for it in rows(tmp_path / "out.actions.csv")] == [
        (it.do, it.by) for it in said.actions
    ]
    assert [(it["about"], it["active"]) for it in rows(tmp_path / "out.notices.csv")] == [
        (it.about, "true" if it.active else "false") for it in said.notices
    ]
    assert [(it["rule"], it["state"], int(it["time_ns"])) for it in rows(tmp_path / "out.alarms.csv")] == [
        (it.alarm.rule, it.alarm.state.value, it.time_ns) for it in said.changes
    ]
    raw = (tmp_path / "out.readings.csv").read_bytes()
    assert raw.count(b"\r\n") == raw.count(b"\n") == len(readings) + 1, "RFC 4180, 2.1"


def test_every_column_is_described(cut_off, tmp_path):
    assert export(cut_off, tmp_path / "out.csv") == 0
    found = json.loads((tmp_path / "out.csv-metadata.json").read_text())
    assert found["@context"][0] == "http://www.w3.org/ns/csvw"
    assert [it["url"] for it in found["tables"]] == [
        f"out.{name}.csv" for name in ("readings", "pictures", "actions", "notices", "alarms")
    ]
    for table in found["tables"]:
        with (tmp_path / table["url"]).open(newline="", encoding="utf-8") as file:
            assert next(csv.reader(file)) == [it["titles"] for it in table["tableSchema"]["columns"]]
    units = {it["titles"]: it.get("schema:unitText") for it in found["tables"][1]["tableSchema"]["columns"]}
    assert units["load.rise_m"] == "m"
    assert units["stack.S1.force_n"] == "N"
    assert units["bag.S1-lower.rate_pa_s"] == "Pa/s"
    assert units["sensor.H1.value"] == "m"
    assert units["load.a"] == "1"
    [notes] = found["notes"]
    assert notes["started"] == "2026-01-01T09:00:00+00:00"
    assert notes["complete"] == "no"
    assert notes["same_as_live"].startswith("no: "), "nobody had called STOP"
    assert "never drives a valve" in notes["caution"]
    assert 'name = "yard-panel"' in notes["rig"]


def test_one_table_goes_into_the_very_file(cut_off, said: Said, tmp_path):
    assert export(cut_off, tmp_path / "out.csv", "--table", "alarms") == 0
    assert sorted(it.name for it in tmp_path.iterdir()) == ["out.csv", "out.csv-metadata.json"]
    assert len(rows(tmp_path / "out.csv")) == len(said.changes)


def test_texts_that_are_hard_come_back(tmp_path):
    from replay.export.commas import CsvWriter
    from replay.export.table import Column, Table

    texts = ['a "quoted" word', "a,b", "two\nlines", "two\r\nlines", " spaces ", "=1+1", "Größe µ", "'", None]
    columns = Column("text", Kind.TEXT), Column("more", Kind.OBJECT), Column("yes", Kind.TRUTH)
    writer = CsvWriter(tmp_path / "it.csv", [Table("it", "", columns)])
    for it in texts:
        writer.write("it", (it, orjson.dumps({"x": it}), True))
    writer.close({})
    found = rows(tmp_path / "it.csv")
    assert [it["text"] or None for it in found] == texts
    assert [json.loads(it["more"])["x"] for it in found] == texts


def test_nothing_is_written_over_and_nothing_left_behind(cut_off, tmp_path, capsys):
    (tmp_path / "out.notices.csv").write_text("mine")
    assert export(cut_off, tmp_path / "out.csv") == 2
    assert "out.notices.csv: is there already" in capsys.readouterr().err
    assert [it.name for it in tmp_path.iterdir()] == ["out.notices.csv"]
    assert export(cut_off, tmp_path / "no" / "out.csv") == 2
    assert "No such file" in capsys.readouterr().err
    assert export(cut_off, tmp_path / "out.txt") == 2
    assert "allowed is a name that ends in .csv, .parquet, .mcap" in capsys.readouterr().err
    assert export(tmp_path / "none.jsonl", tmp_path / "out.csv") == 1
    assert "No such file" in capsys.readouterr().err


@pytest.mark.parametrize("suffix", ["parquet", "mcap"])
def test_a_library_that_is_not_there_is_a_sentence(cut_off, tmp_path, suffix):
    gone = "import sys; sys.modules['pyarrow'] = sys.modules['mcap.writer'] = None"
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            f"{gone}; from monitor.cli import main; sys.exit(main())",
            "export",
            str(cut_off),
            "-o",
            str(tmp_path / f"out.{suffix}"),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert done.stderr == "inchwatch export: needs two more libraries: pip install 'inchwatch[tables]'\n"
    assert not list(tmp_path.iterdir())


def test_every_figure_is_a_column_with_its_unit(said: Said):
    """A number in any part of the picture has a unit, or is known to have none."""
    columns = {it.name: it for it in Rows(said.rig, "").tables[1].columns}
    for name, made in (
        ("load", parts.LoadPicture),
        ("hinge", parts.HingePicture),
        ("balance", parts.BalancePicture),
        ("stack.S1", parts.StackPicture),
        ("bag.S1-lower", parts.BagPicture),
        ("shore.N1", parts.ShorePicture),
        ("sensor.H1", parts.SensorPicture),
    ):
        for it in fields(made):
            if it.name in ("name", "bags", "quantity", "port"):
                continue
            column = columns[f"{name}.{it.name}"]
            assert column.kind is not Kind.NUMBER or column.unit, column
    assert unit_of("use") == "1"
    assert "use" in SHARES


def test_wall_time_is_the_beginning_and_the_time_since(said: Said):
    rows = Rows(said.rig, said.recording.header.started)
    first = said.readings[0]
    assert rows.line(first)[1][2] == START_NS + first.time_ns
    assert Rows(said.rig, "at noon").line(first)[1][2] is None


def test_the_recording_is_there():
    assert RECORDING.exists()
