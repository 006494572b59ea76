"""The board as other programs read it: one JSON object, and the readings of the last minute as CSV. Values are SI."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence
from io import StringIO
from typing import Any

from drivers.config import Channel
from monitor.engine.picture import SensorStatus
from monitor.sensorboard.picture import BoardPicture, ChannelRow, Fault, RawLine

Json = dict[str, Any]

SI_UNIT = {
    "pressure": "Pa",
    "length": "m",
    "angle": "rad",
    "force": "N",
    "temperature": "K",
    "current": "A",
    "voltage": "V",
}


def as_json(it: BoardPicture, raw: dict[str, Sequence[RawLine]] | None = None) -> Json:
    """The board, as `sensors --board --json` prints it; with `raw` the newest lines of each port as they came.

    Channels stand in the order of the board, trouble first. Null is not known, never zero. `utc` and what ends in it are seconds
    since 1970: `utc` by this computer's clock, a channel's `device_utc` by the clock of its own device.
    """
    return {
        "kind": "board",
        "t": round(it.time_ns * 1e-9, 4),
        "utc": round(it.utc, 4),
        "rig": it.rig,
        "zeroed": it.zeroed,
        "zero_waits": it.zero_waits,
        "stop": it.stop,
        "channels": {row.name: _channel(row) for row in it.channels},
        "ports": {
            port.name: {
                "up": port.up,
                "text": port.text,
                "good": port.good,
                "spoilt": dict(port.spoilt),
                "reconnects": dict(port.counts).get("reconnects", 0),
                "strangers": dict(port.strangers),
            }
            | ({} if raw is None else {"raw": [_raw(line) for line in raw.get(port.name, ())]})
            for port in it.ports
        },
    }


def _channel(row: ChannelRow) -> Json:
    return {
        "port": row.port,
        "quantity": row.quantity,
        "unit": SI_UNIT[row.quantity],
        "status": row.status.value,
        "trouble": row.trouble,
        "value": row.value,
        "age_s": _rounded(row.age_s),
        "device_utc": None if row.device_utc is None else round(row.device_utc, 4),
        "rate_hz": _rounded(row.rate_hz),
        "noise": row.noise,
        "noise_said": row.noise_said,
        "stored": row.stored,
        "fault": None if row.fault is None else _fault(row.fault),
    }


def _fault(it: Fault) -> Json:
    return {"what": it.what.value, "more": it.more, "since": _rounded(it.since_utc), "until": _rounded(it.until_utc)}


def _raw(it: RawLine) -> Json:
    return {"t": round(it.time_ns * 1e-9, 4), "about": it.about, "text": it.text}


def _rounded(number: float | None) -> float | None:
    return None if number is None else round(number, 3)


COLUMNS = ("utc", "channel", "port", "quantity", "value", "unit", "health", "last_fault")


def as_csv(it: BoardPicture, recent: Iterable[tuple[Channel, Sequence[tuple[float, float]]]]) -> str:
    """The readings of the last minute, a line each in order of time (`utc`: seconds since 1970), with what the board said of
    their channel when it was written. A channel that was not heard has one line without a value, so that none is missed."""
    rows = {row.name: row for row in it.channels}
    lines = [line for channel, readings in recent for line in _lines(rows[channel.name], readings)]
    out = StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows(line for _, line in sorted(lines, key=lambda it: it[0]))
    return out.getvalue()


def _lines(row: ChannelRow, readings: Sequence[tuple[float, float]]) -> Iterator[tuple[float, tuple[object, ...]]]:
    rest = (SI_UNIT[row.quantity], row.status.value, "" if row.fault is None else in_words(row.fault))
    if not readings:
        yield 0.0, ("", row.name, row.port, row.quantity, "", *rest)
    for utc, value in readings:
        yield utc, (f"{utc:.4f}", row.name, row.port, row.quantity, repr(value), *rest)


def in_words(it: Fault, now_utc: float | None = None) -> str:
    """What was wrong, and with `now_utc` for how long or how long ago."""
    said = f"{it.what.value}: {it.more}" if it.more else it.what.value
    if now_utc is None:
        return said
    return f"{said}{',' if it.more else ''} {when(it, now_utc)}"


def when(it: Fault, now_utc: float) -> str:
    """For how long it has stood, or how long ago it went."""
    if it.until_utc is None:
        return f"for {span(now_utc - it.since_utc)}"
    return f"{span(now_utc - it.until_utc)} ago"


def span(seconds: float) -> str:
    """A time as a person says it: "8 s", "3 min", "2 h"."""
    whole = max(0, int(seconds))
    return f"{whole} s" if whole < 100 else f"{whole // 60} min" if whole < 6000 else f"{whole // 3600} h"


HEALTH = {
    SensorStatus.OK: "ok",
    SensorStatus.FAILED: "FAILED",
    SensorStatus.CHECK: "CHECK",
    SensorStatus.OUT_OF_RANGE: "OUT OF RANGE",
    SensorStatus.MAINTENANCE: "MAINTENANCE",
    SensorStatus.STALE: "STALE",
    SensorStatus.NEVER_SEEN: "NEVER SEEN",
}
"""The engine's words of NAMUR NE 107, so that what is not well stands out without colour."""
