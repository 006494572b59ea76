"""A recording as Parquet, read back by the library that everyone reads it with."""

from __future__ import annotations

import pyarrow.parquet as pq
import pytest

from replay.export.parquet import ParquetWriter
from replay.export.table import Column, Kind, Table

from .exported import START_NS, Said, bits, export, figures


def test_every_value_comes_back_to_the_bit(cut_off, said: Said, tmp_path):
    assert export(cut_off, tmp_path / "out.parquet") == 0
    readings = pq.read_table(tmp_path / "out.readings.parquet")
    assert [(it["time_ns"], it["channel"], bits(it["value"]), it["sequence"]) for it in readings.to_pylist()] == [
        (it.time_ns, it.channel, bits(it.value), it.sequence) for it in said.readings
    ]
    assert readings["device_time_ns"].null_count == len(readings)
    assert readings["wall_time"].cast("int64").to_pylist() == [START_NS + it.time_ns for it in said.readings]
    table = pq.read_table(tmp_path / "out.pictures.parquet")
    names = list(figures(said.pictures[0]))
    columns = {name: [bits(it) for it in table[name].to_pylist()] for name in names}
    assert columns == {name: [bits(figures(it)[name]) for it in said.pictures] for name in names}
    assert any(None in it for it in columns.values())
    assert table.schema.field("load.rise_m").metadata[b"unit"] == b"m"
    about = pq.read_metadata(tmp_path / "out.pictures.parquet").metadata
    assert about[b"started"] == b"2026-01-01T09:00:00+00:00"
    assert b'name = "yard-panel"' in about[b"rig"]
    assert about[b"complete"] == b"no"
    assert about[b"same_as_live"].startswith(b"no: "), "nobody had called STOP"
    alarms = pq.read_table(tmp_path / "out.alarms.parquet").to_pylist()
    assert [(it["rule"], it["raised_ns"]) for it in alarms] == [
        (it.alarm.rule, it.alarm.raised_ns) for it in said.changes
    ]


def test_rows_go_out_in_groups(tmp_path, monkeypatch):
    monkeypatch.setattr("replay.export.parquet._CELLS", 200)
    writer = ParquetWriter(
        tmp_path / "it.parquet", [Table("it", "", (Column("a", Kind.WHOLE), Column("b", Kind.TRUTH)))]
    )
    for i in range(1050):
        writer.write("it", (i, None if i % 3 else True))
    writer.close({"x": "y"})
    found = pq.ParquetFile(tmp_path / "it.parquet")
    assert found.num_row_groups == 11
    assert found.read()["a"].to_pylist() == list(range(1050))
    assert found.read()["b"].null_count == 700


def test_nothing_is_written_over(cut_off, tmp_path, capsys):
    (tmp_path / "out.alarms.parquet").write_text("mine")
    assert export(cut_off, tmp_path / "out.parquet") == 2
    assert "is there already" in capsys.readouterr().err
    assert [it.name for it in tmp_path.iterdir()] == ["out.alarms.parquet"]


@pytest.mark.parametrize("table", ["readings", "notices"])
def test_one_table_goes_into_the_very_file(cut_off, tmp_path, table):
    assert export(cut_off, tmp_path / "out.parquet", "--table", table) == 0
    assert [it.name for it in tmp_path.iterdir()] == ["out.parquet"]
