"""Boards made up by hand, for the drawing and the keys (all of it invented)."""

from __future__ import annotations

import threading
from dataclasses import replace

from monitor.engine.picture import SensorStatus
from monitor.sensorboard.picture import BoardPicture, ChannelRow, Fault, PortRow, RawLine, Wrong

NOW = 1_000.0


def row(name: str, status: SensorStatus = SensorStatus.OK, fault: Fault | None = None, **more) -> ChannelRow:
    pressure, tilt = name.endswith("-p"), name.endswith(("-x", "-y"))
    known = ChannelRow(
        name=name,
        port="bench",
        quantity="pressure" if pressure else "angle" if tilt else "length",
        status=status,
        value=2.71e5 if pressure else 0.0297 if tilt else 0.2,
        age_s=0.04,
        rate_hz=20.0,
        noise=900.0 if pressure else 0.00055,
        noise_said=1000.0 if pressure else 0.0005,
        range=(-1e4, 1e6) if pressure else (-0.5, 0.5) if tilt else (0.0, 2.0),
        stale_after_s=1.0,
        fault=fault,
        stored=0,
        trouble=status is not SensorStatus.OK,
        where="air of bag" if pressure else "",
    )
    return replace(known, **more)


TROUBLE = (
    row("N2-p", SensorStatus.STALE, Fault(Wrong.STALE, "", 988.0), age_s=13.2, rate_hz=0.0, noise=None),
    row("H1", SensorStatus.OUT_OF_RANGE, Fault(Wrong.RANGE, "read 3.20 m", 992.0), value=3.2),
    row("S1-mid-y", SensorStatus.MAINTENANCE, Fault(Wrong.NOISY, "noisier than at the zero", 940.0), noise=0.0043),
)
WELL = tuple(
    row(name, fault=Fault(Wrong.PORT, "lost: no such device", 700.0, 760.0) if name == "H2" else None)
    for name in ("S1-lower-p", "S1-upper-p", "N1-p", "H2", "H3", "N1-ext", "N2-ext", "load-x", "load-y", "S1-head-x")
)
PORTS = (
    PortRow("bench", True, "connected", (("good", 2597), ("bad_checksum", 3), ("unknown_id", 12)), (("T9", 12),)),
    PortRow("yard-net", False, "connection lost (broker 192.0.2.7:1883)", (("good", 918),), ()),
)
BOARD = BoardPicture(54_000_000_000, NOW, "training-yard", (*TROUBLE, *WELL), PORTS, True, "", None, (), None)


class BoardStandIn:
    """A feed that shows one board and keeps what is pressed. The screen is real; only the session is not there."""

    def __init__(self, board: BoardPicture | None = BOARD) -> None:
        self.shown, self.units, self.recording, self.kept = board, "metric", "recording to yard.jsonl", True
        self.lines = [
            RawLine(53_500_000_000, "", "$IIXDR,P,2.71,B,P1*61\\r\\n"),
            RawLine(53_900_000_000, "", "\\xff\\x00"),
        ]
        self.pressed: list[tuple] = []
        self.disk = threading.Event()
        """Set while the disk answers."""
        self.disk.set()

    def board(self) -> BoardPicture | None:
        return self.shown

    def raw(self, port: str) -> list[RawLine]:
        self.pressed.append(("raw", port))
        return self.lines

    def send(self, do: str, /, **details) -> None:
        self.pressed.append((do, details))

    def record(self, keep: bool) -> str:
        self.pressed.append(("record", keep))
        self.disk.wait(60.0)
        self.kept = keep
        return "recording to other.jsonl" if keep else "ended: recording to yard.jsonl"

    def export(self) -> str:
        self.pressed.append(("export",))
        self.disk.wait(60.0)
        return "exported 40 readings to yard-board.csv"

    def later(self, **changes) -> None:
        self.shown = replace(self.shown, utc=self.shown.utc + 1.0, time_ns=self.shown.time_ns + 10**9, **changes)
