"""The body of `inchwatch export`: a recording as tables that other programs open."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from monitor.debrief.judge import Rerun
from monitor.debrief.rows import Rows
from monitor.live.keeping import software
from monitor.rig.load import RigFaults, kept_rig
from replay.codec import JournalError
from replay.export.table import ExportError, Table, Writer
from replay.recording import Recording, read_recording

MISSING = "needs two more libraries: pip install 'inchwatch[tables]'"
FORMATS = (".csv", ".parquet", ".mcap")


def export(file: str, output: str, only: Sequence[str], caution: str) -> int:
    """Write the tables of a recording, and `caution` with them; returns the exit code: 1 if it cannot be played, 2 if the call is
    wrong, a library is missing or a file is there already."""
    try:
        recording = read_recording(Path(file))
        rig = kept_rig(recording.header.rig, f"{recording.path}: rig file")
    except (JournalError, RigFaults) as error:
        print(f"inchwatch export: {error}", file=sys.stderr)
        return 1
    rows = Rows(rig, recording.header.started)
    tables = [it for it in rows.tables if it.name in only or not only]
    try:
        writer = _writer(Path(output), tables)
    except ExportError as error:
        print(f"inchwatch export: {error}", file=sys.stderr)
        return 2
    names = {it.name for it in tables}
    try:
        counts = _write(recording, rows, Rerun(rig), writer, names, caution)
    except (OSError, OverflowError, ValueError) as error:
        writer.discard()
        print(f"inchwatch export: {output}: not written: {error}", file=sys.stderr)
        return 1
    except BaseException:
        writer.discard()
        raise
    if recording.damage is not None:
        print(f"inchwatch export: {recording.path}: {recording.damage}", file=sys.stderr)
    told = ", ".join(_counted(counts[it.name], it.name) for it in tables)
    print(f"{', '.join(map(str, writer.files))}: {told}")
    return 0


def _counted(count: int, many: str) -> str:
    return f"{count} {many if count != 1 else many.removesuffix('s')}"


def _write(
    recording: Recording, rows: Rows, run: Rerun, writer: Writer, names: set[str], caution: str
) -> dict[str, int]:
    counts = dict.fromkeys(names, 0)
    for line in recording.lines():
        found = rows.line(line)
        if found is not None and found[0] in names:
            counts[found[0]] += 1
            writer.write(*found)
        picture = run.take(line)
        if picture is not None:
            for table, row in rows.picture(picture):
                if table in names:
                    counts[table] += 1
                    writer.write(table, row)
    writer.close(_about(recording, run) | {"caution": caution, "rig": recording.header.rig})
    return counts


def _about(recording: Recording, run: Rerun) -> dict[str, str]:
    """What all of it is, for who has the tables and not the recording."""
    header = recording.header
    same = run.same_as_live(recording.complete)
    return {
        "recording": ", ".join(it.path.name for it in recording.parts),
        "session": header.session,
        "started": header.started,
        "rig_name": header.rig_name,
        "recorded_by": header.software,
        "exported_by": software(),
        "units": "SI (m, Pa gauge, N, rad, s, K, A, V), written as UCUM has them; what is not known is empty or null",
        "complete": "yes" if recording.complete else "no",
        "damage": recording.damage or "",
        "same_as_live": "yes" if same else "no: the engine now says other alarms than it did live",
    }


def _writer(output: Path, tables: Sequence[Table]) -> Writer:
    """Raises ExportError."""
    if output.suffix == ".csv":
        from replay.export.commas import CsvWriter

        return CsvWriter(output, tables)
    try:
        if output.suffix == ".parquet":
            from replay.export.parquet import ParquetWriter

            return ParquetWriter(output, tables)
        if output.suffix == ".mcap":
            from replay.export.messages import McapWriter

            return McapWriter(output, tables)
    except ImportError:
        raise ExportError(MISSING) from None
    raise ExportError(f"-o: found '{output}', allowed is a name that ends in {', '.join(FORMATS)}")
