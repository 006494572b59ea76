"""A season as a Parquet file: a row a session, a column each figure of the whole session, lists for what has several.

Values are SI; unit and meaning of each column stand in its metadata. `trouble`: why a session could not be judged; `damage`: what
was found in one that could be judged in part. `alarms` and `things` (the figures of each step, shore, stack, bag, channel and
alarm) are lists; `partly` lists the figures that are not known, or were not known all the time, with the share known and why.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import orjson

from monitor.debrief.began import began
from monitor.debrief.figures import WHOLE
from monitor.encode import Json

if TYPE_CHECKING:
    import pyarrow as pa

FORMAT, VERSION = "inchwatch-season", 1

_TEXTS = (
    ("file", "the session's first file, as it was given"),
    ("folder", "the folder that it lies in"),
    ("session", "which session it is, by its own word"),
    ("rig", "name of the rig"),
    ("software", "the program that recorded it"),
    ("judge", "the program that judged it, with a digest of its modules"),
    ("limits", "the limits it was judged under in place of its own, as JSON; none: its own"),
    ("sha256", "SHA-256 of its files' bytes"),
    ("trouble", "why it could not be judged; none: it was"),
    ("damage", "what was found wrong with its files"),
)
_NEEDED = (*(name for name, _ in _TEXTS), "started", "bytes", "alarms", "things", "partly")
"""Without these columns it is no season; figures may be fewer, as an older program knew them."""
_ALARM = ("rule", "about", "priority", "raised", "cleared", "acknowledged", "text")


class TableError(Exception):
    """A season's file that cannot be read. One sentence: where, what was found, what is allowed."""


def schema() -> pa.Schema:
    """The columns."""
    import pyarrow as pa

    texts = [pa.field(name, pa.string(), metadata={"means": means}) for name, means in _TEXTS]
    figures = [
        pa.field(kind.name, pa.float64(), metadata={"unit": kind.unit, "better": kind.better, "means": kind.means})
        for kind in WHOLE
    ]
    text, number = pa.string(), pa.float64()
    alarm = pa.struct([(name, number if name in ("raised", "cleared", "acknowledged") else text) for name in _ALARM])
    thing = pa.struct([("figure", text), ("about", text), ("value", number), ("known", number), ("because", text)])
    partly = pa.struct([("figure", text), ("known", number), ("because", text)])
    rest = [
        pa.field("started", pa.timestamp("us", "UTC"), metadata={"means": "when the session began"}),
        pa.field("bytes", pa.int64(), metadata={"means": "size of its files together", "unit": "B"}),
        pa.field("alarms", pa.list_(alarm), metadata={"means": "every alarm that rose; times in s since it began"}),
        pa.field(
            "things", pa.list_(thing), metadata={"means": "figures of one step, shore, stack, bag, channel, alarm"}
        ),
        pa.field("partly", pa.list_(partly), metadata={"means": "figures that were not known all the time, and why"}),
    ]
    about = {"format": FORMAT, "version": str(VERSION)}
    return pa.schema([*texts, rest[0], rest[1], *figures, *rest[2:]], metadata=about)


def write(path: Path, rows: Sequence[Json]) -> None:
    """Write the rows of a season, in the order given. OSError."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    made = schema()
    pq.write_table(
        pa.Table.from_pylist([_flat(row) for row in rows], schema=made),
        path,
        compression="zstd",
        write_page_checksum=True,
    )


def _flat(row: Json) -> dict[str, Any]:
    verdict = row.get("verdict") or {}
    figures = row.get("figures") or []
    started = row.get("started")
    flat: dict[str, Any] = {name: row.get(name) for name, _ in _TEXTS}
    flat |= {
        "limits": None if row["limits"] is None else orjson.dumps(row["limits"], option=orjson.OPT_SORT_KEYS).decode(),
        "damage": verdict.get("damage"),
        "started": moment(started) if started else None,
        "bytes": row["bytes"],
        "alarms": [{name: it[name] for name in _ALARM} for it in verdict.get("alarms", [])],
        "things": [
            {"figure": name, "about": about, "value": value, "known": known, "because": because or None}
            for name, about, value, known, because in figures
            if about
        ],
        "partly": [
            {"figure": name, "known": known, "because": because or None}
            for name, about, value, known, because in figures
            if not about and (value is None or known < 1.0)
        ],
    }
    return flat | {name: value for name, about, value, _, _ in figures if not about}


def moment(text: str) -> datetime | None:
    """The time that a header's `started` says, in UTC; None for one that says none."""
    found = began(text)
    try:
        return None if found is None else found.astimezone(UTC)
    except OverflowError:  # of the first year or the last, and of another zone
        return None


def read(path: Path) -> list[dict[str, Any]]:
    """The rows of a season's file, a value a column. Raises TableError."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        # From memory and by this thread alone: of the library's own threads one may outlive the interpreter, and end it by SIGABRT.
        file = pq.ParquetFile(pa.BufferReader(path.read_bytes()), pre_buffer=False, page_checksum_verification=True)
        table = file.read(use_threads=False)
    except (OSError, ValueError, pa.ArrowException) as error:  # of a damaged page the library tells by any of them
        system = error.strerror if isinstance(error, OSError) else None
        found = system or "is no whole Parquet file; allowed is what `inchwatch judge ... -o FILE` wrote"
        raise TableError(f"{path}: {found}") from None
    told = (table.schema.metadata or {}).items()
    about = {key.decode(errors="replace"): value.decode(errors="replace") for key, value in told}
    if about.get("format") != FORMAT:
        raise TableError(f"{path}: is no season; allowed is what `inchwatch judge ... -o FILE` wrote")
    if about.get("version") != str(VERSION):
        raise TableError(f"{path}: is a season of version {about.get('version')}; this program reads version {VERSION}")
    if missing := [name for name in _NEEDED if name not in table.column_names]:
        raise TableError(f"{path}: is damaged: it has no column '{missing[0]}'")
    rows: list[dict[str, Any]] = table.to_pylist()
    return rows


def as_rows(path: Path) -> Iterator[Json]:
    """The same as `one.row_of` made them, to be written again beside others. Raises TableError."""
    for flat in read(path):
        limits = flat["limits"]
        row: Json = {name: flat[name] for name, _ in _TEXTS if name != "damage"}
        row |= {"limits": None if limits is None else orjson.loads(limits), "bytes": flat["bytes"]}
        row["started"] = flat["started"].isoformat() if flat["started"] else None
        if flat["trouble"] is None:
            partly = {it["figure"]: it for it in flat["partly"]}
            row["verdict"] = {"damage": flat["damage"], "alarms": flat["alarms"]}
            row["figures"] = [
                [name, "", flat[name], partly.get(name, _WELL)["known"], partly.get(name, _WELL)["because"] or ""]
                for name in (kind.name for kind in WHOLE)
                if name in flat
            ] + [[it[key] or "" if key == "because" else it[key] for key in _THING] for it in flat["things"]]
        yield row


_WELL = {"known": 1.0, "because": None}
_THING = ("figure", "about", "value", "known", "because")
