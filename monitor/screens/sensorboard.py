"""The board of every channel as drawings: rows, ports, the chosen channel, the raw wire, help. Pure functions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor import quantities as show
from monitor.engine.picture import SensorStatus
from monitor.screens.board import alarm_line
from monitor.screens.frame import CAUTIONS, Frame, filled
from monitor.screens.ink import Line, Role, fit, plain
from monitor.sensorboard.picture import BoardPicture, ChannelRow, PortRow, RawLine
from monitor.sensorboard.words import HEALTH, in_words, span, when

KEYS = "↑↓  enter raw  p pause  e export  r record  z zero  space STOP  q end  ? help"

HELP: tuple[tuple[str, str], ...] = (
    ("up down", "choose a channel; page up and page down go farther"),
    ("enter", "the newest lines of its port as they came over the wire"),
    ("p", "the display stands still, or goes on; the session always goes on"),
    ("e", "write the readings of the last minute, with what is said here, as CSV"),
    ("r", "end the recording (asks), or begin another; the ports are opened anew"),
    ("z", "zero: measure from here, while all rests; it tells what is frozen"),
    ("space", "call STOP: at once, kept in the recording"),
    ("c", "clear STOP (asks)"),
    ("t", "light or dark"),
    ("q", "end"),
)
READS = (
    "NOISE is how much one reading trembles, in times of what the rig file says; from",
    "3 times on, throughout, it is trouble. A value in (brackets) is not believed.",
    "LAST FAULT stays after it went: how long ago. Trouble is on top for 5 s more.",
)
_TOLD = (SensorStatus.STALE, SensorStatus.FAILED, SensorStatus.OUT_OF_RANGE, SensorStatus.NEVER_SEEN)


@dataclass
class BoardView(Frame):
    """What the screen shows besides the board: which channel is chosen, and what it says or asks in its last line."""

    units: str
    recording: str
    chosen: str = ""
    raw: Sequence[RawLine] | None = None
    """The lines of the chosen channel's port while they are shown."""
    paused_s: float | None = None
    waits: str = ""
    """What a key began and is still under way, "" where nothing is."""


def drawing(it: BoardPicture | None, now: BoardPicture | None, view: BoardView, columns: int, rows: int) -> list[Line]:
    """The whole screen: exactly `rows` lines of exactly `columns` cells. `now` is the newest board; `it` the one that is shown,
    an older one while the display is paused. What alarms say and what is wrong with the monitor is never paused."""
    if it is None or now is None:
        return filled([fit([("waiting for the first picture", Role.PLAIN)], columns)], columns, rows)
    top = _top(now, view, columns)
    if view.help:
        return filled([*top, *_help(columns)], columns, rows)
    bottom = [_last(view, columns)]
    chosen = next((row for row in it.channels if row.name == view.chosen), None)
    if view.raw is not None and chosen is not None:
        room = max(0, rows - len(top) - len(bottom))
        return filled([*top, *_raw(view.raw, chosen, it, columns, room)], columns, rows - 1) + bottom
    if rows >= 18 and chosen is not None:
        bottom = [*_detail(chosen, it, view.units, columns), *bottom]
    ports = port_lines(it.ports, columns, max(1, rows // 6))
    if rows >= 10:
        bottom = [*ports, *bottom]
    room = max(0, rows - len(top) - len(bottom))
    return filled([*top, *_table(it, view, columns, room)], columns, rows - len(bottom)) + bottom


def listing(it: BoardPicture, units: str, columns: int) -> str:
    """All of it as plain text, for an output that is no terminal: every channel, then every port."""
    lines = [_head(it, columns), channel_head(columns)]
    lines += [channel_line(row, it.utc, units, columns) for row in it.channels]
    return plain([*lines, *port_lines(it.ports, columns, len(it.ports))])


def _top(now: BoardPicture, view: BoardView, columns: int) -> list[Line]:
    """What may never be missed, and the title."""
    lines: list[Line] = []
    if view.stopped_s is not None:
        text = f"THE MONITOR HAS STOPPED: no picture for {view.stopped_s:.0f} s. Nothing here is live."
        lines.append(fit([(text, Role.DANGER)], columns))
    if now.alarms:
        more = f" ({len(now.alarms) - 1} more alarms)" if len(now.alarms) > 1 else ""
        lines.append(fit([*alarm_line(now.alarms[0], columns - len(more)), (more, Role.STRONG)], columns))
    return [*lines, _head(now, columns, view.recording)]


def _head(it: BoardPicture, columns: int, recording: str = "") -> Line:
    odd = sum(row.status is not SensorStatus.OK or row.wrong for row in it.channels)
    down = [port.name for port in it.ports if port.up is not True]
    minutes, seconds = divmod(int(it.time_ns * 1e-9), 60)
    channels = f"{odd} of {len(it.channels)} channels NOT OK" if odd else f"{len(it.channels)} channels ok"
    why = f": {it.zero_waits}" if it.zero_waits and columns >= 100 else ""
    parts: Line = [
        (f"{minutes:02d}:{seconds:02d}  ", Role.STRONG),
        (channels, Role.STRONG if odd else Role.PLAIN),
        ("  ", Role.DIM),
        (f"{', '.join(down)} DOWN" if down else "ports up", Role.STRONG if down else Role.PLAIN),
        ("  " + ("zero taken" if it.zeroed else f"no zero yet{why}"), Role.DIM),
        (f"  {recording}" if recording else "", Role.DIM),
    ]
    return fit(parts, columns)


def _widths(columns: int) -> tuple[int, int]:
    """Cells of a name and of the noise: the wider, the more of both."""
    return (11, 5) if columns < 100 else (22, 18)


def channel_head(columns: int) -> Line:
    """The head of the table of channels."""
    name, noise = _widths(columns)
    text = f"  {'CHANNEL':<{name}} {'VALUE':>11} {'/S':>4} {'AGE':>6} {'NOISE':>{noise}} {'HEALTH':<12} LAST FAULT"
    return fit([(text, Role.DIM)], columns)


def channel_line(row: ChannelRow, now_utc: float, units: str, columns: int, chosen: bool = False) -> Line:
    """One channel."""
    name, noise = _widths(columns)
    value = show.value(row.value, row.quantity, units)
    believed = row.status not in _TOLD
    well = row.status is SensorStatus.OK
    rate = "--" if row.rate_hz is None else f"{row.rate_hz:.1f}" if row.rate_hz < 99.95 else f"{row.rate_hz:.0f}"
    age = "--" if row.age_s is None else f"{row.age_s:.1f} s" if row.age_s < 99.95 else span(row.age_s)
    told = value if believed or row.value is None else f"({value})"
    fault = _fault(row, now_utc)
    room = columns - (2 + name + 1 + 11 + 1 + 4 + 1 + 6 + 1 + noise + 1 + 12 + 1)
    if row.fault is not None and len(fault) > room:
        fault = f"{row.fault.what.value} {when(row.fault, now_utc)}"
    return fit(
        [
            (">" if chosen else " ", Role.STRONG),
            ("!" if row.trouble else " ", Role.CAUTION_SEEN),
            (f"{_short(row.name, name):<{name}} ", Role.STRONG if chosen or row.trouble else Role.PLAIN),
            (f"{told:>11}", Role.STRONG if believed else Role.DIM),
            (f" {rate:>4} {age:>6} ", Role.PLAIN),
            (f"{_noise(row, units, noise):>{noise}}", _noise_role(row)),
            (" ", Role.PLAIN),
            (f"{HEALTH[row.status]:<12}", Role.DIM if well else Role.CAUTION),
            (f" {fault}", Role.STRONG if row.wrong else Role.DIM),
        ],
        columns,
    )


def _fault(row: ChannelRow, now_utc: float) -> str:
    if row.fault is not None:
        return in_words(row.fault, now_utc)
    return "not heard yet" if row.status is SensorStatus.NEVER_SEEN else ""


def _noise(row: ChannelRow, units: str, cells: int) -> str:
    times = row.noise_times
    if times is None:
        return "--"
    share = f"{times:.1f}x" if times < 99.95 else ">99x"
    if cells < 12 or row.noise is None:
        return share
    return f"{share} {fine(row.noise_said, row.quantity, units)}"


def _noise_role(row: ChannelRow) -> Role:
    return Role.PLAIN if row.noise_times is None or row.noise_times <= 3.0 else Role.STRONG


_FINE = {
    # quantity: (factor, unit) in metric and in us, where a noise of ordinary sensors has a digit or two before the point
    "pressure": ((1e-5, "bar"), (1.0 / 6894.757293168361, "psi")),
    "length": ((1e3, "mm"), (1.0 / 0.0254, "in")),
    "force": ((1e-3, "kN"), (1.0 / 4.4482216152605, "lbf")),
    "angle": ((57.29577951308232, "°"),) * 2,
    "temperature": ((1.0, "K"), (1.8, "°F")),
    "current": ((1e3, "mA"),) * 2,
    "voltage": ((1e3, "mV"),) * 2,
}


def fine(si: float, quantity: str, units: str) -> str:
    """A noise, with two digits that count: finer than a value is shown."""
    factor, unit = _FINE[quantity][units == "us"]
    number = f"{si * factor:.2g}"
    if "e" in number:
        number = f"{si * factor:.4f}" if si * factor < 1.0 else f"{si * factor:.0f}"
    return f"{number}{unit}" if unit == "°" else f"{number} {unit}"


def port_lines(ports: Sequence[PortRow], columns: int, most: int) -> list[Line]:
    """A line a port, those that are down first: what it says, what it read, what was spoilt, who spoke that nobody named."""
    ranked = sorted(ports, key=lambda it: (it.up is True, not it.unwell))
    shown = ranked if len(ranked) <= most else ranked[: most - 1]
    lines = [_port(it, columns) for it in shown]
    if len(shown) < len(ranked):
        lines.append(fit([(f"{len(ranked) - len(shown)} more ports", Role.DIM)], columns))
    return lines


def _port(it: PortRow, columns: int) -> Line:
    spoilt = ", ".join(f"{count} {what.replace('_', ' ')}" for what, count in it.spoilt)
    strangers = ", ".join(f"{name} ({count}x)" for name, count in it.strangers)
    parts: Line = [
        ("PORT ", Role.DIM),
        (f"{it.name} ", Role.STRONG),
        ("up" if it.up else "DOWN" if it.up is False else "NOT HEARD", Role.PLAIN if it.up else Role.CAUTION),
    ]
    if it.up is not True or it.unwell:
        parts.append((f" {it.text}", Role.STRONG))
    if strangers:
        parts.append((f"  STRANGERS: {strangers}", Role.STRONG))
    if spoilt:
        parts.append((f"  SPOILT: {spoilt}", Role.STRONG))
    parts.append((f"  {it.good} values", Role.DIM))
    return fit(parts, columns)


def _table(it: BoardPicture, view: BoardView, columns: int, rows: int) -> list[Line]:
    """The channels, scrolled so that the chosen one is seen; where some have no row, the head says which are shown."""
    if rows < 2:
        return []
    room = rows - 1
    at = next((i for i, row in enumerate(it.channels) if row.name == view.chosen), 0)
    first = min(max(0, at - room // 2), max(0, len(it.channels) - room))
    shown = it.channels[first : first + room]
    head = channel_head(columns)
    if len(shown) < len(it.channels):
        said = f"{first + 1} to {first + len(shown)} of {len(it.channels)}"
        head = fit(
            [(part, role) for part, role in fit(head, columns - len(said) - 1)] + [(f" {said}", Role.STRONG)], columns
        )
    return [head, *(channel_line(row, it.utc, view.units, columns, row.name == view.chosen) for row in shown)]


def _detail(row: ChannelRow, it: BoardPicture, units: str, columns: int) -> list[Line]:
    """All that is known of the chosen channel: two lines."""
    low_high = "no range" if row.range is None else " to ".join(show.value(v, row.quantity, units) for v in row.range)
    stored = f", {row.stored} came late" if row.stored else ""
    first = f"{row.name}: {row.where or row.quantity}, port {row.port}; range {low_high}{stored}"
    noise = "not known yet" if row.noise is None else fine(row.noise, row.quantity, units)
    said = f"noise {noise} of {fine(row.noise_said, row.quantity, units)}, silent after {row.stale_after_s:g} s"
    fault = _fault(row, it.utc) or "nothing was wrong yet"
    return [fit([(text, Role.PLAIN)], columns) for text in (first, f"{fault}; {said}")]


def _raw(lines: Sequence[RawLine], row: ChannelRow, it: BoardPicture, columns: int, rows: int) -> list[Line]:
    """The newest lines of a wire, the newest last, long ones wrapped."""
    head = f"RAW  port {row.port}, the newest last; seconds ago, then what came ({row.name} chosen)"
    out: list[Line] = []
    for line in lines:
        ago = max(0.0, (it.time_ns - line.time_ns) * 1e-9)
        about = f"{line.about} " if line.about else ""
        out += _wrapped(f"{ago:6.1f} ", about, line.text, columns)
    if not lines:
        out = [fit([("nothing has come over it yet", Role.PLAIN)], columns)]
    return [fit([(head, Role.DIM)], columns), *out[-max(0, rows - 1) :]]


def _wrapped(ago: str, about: str, text: str, columns: int) -> list[Line]:
    room = max(8, columns - len(ago))
    whole = about + text
    parts = [whole[i : i + room] for i in range(0, len(whole), room)] or [""]
    head = min(len(about), len(parts[0]))
    first: Line = [(ago, Role.DIM), (parts[0][:head], Role.DIM), (parts[0][head:], Role.PLAIN)]
    return [fit(first, columns), *(fit([(" " * len(ago) + part, Role.PLAIN)], columns) for part in parts[1:])]


def _help(columns: int) -> list[Line]:
    lines = [fit([("KEYS", Role.STRONG)], columns)]
    lines += [fit([(f"  {key:<8}", Role.STRONG), (what, Role.PLAIN)], columns) for key, what in HELP]
    lines += [fit([(text, Role.PLAIN)], columns) for text in READS]
    lines += [fit([(text, Role.STRONG)], columns) for text in CAUTIONS]
    lines.append(fit([("any key goes back", Role.DIM)], columns))
    return lines


def _last(view: BoardView, columns: int) -> Line:
    if view.message:
        return fit([(view.message, view.message_role)], columns)
    if view.waits:
        return fit([(view.waits, Role.UNKNOWN)], columns)
    if view.paused_s is not None:
        text = f"DISPLAY PAUSED for {view.paused_s:.0f} s: the session goes on; p shows it again"
        return fit([(text, Role.UNKNOWN)], columns)
    if view.raw is not None:
        return fit([("p pause, any other key goes back, space calls STOP", Role.DIM)], columns)
    return fit([(KEYS, Role.DIM)], columns)


def _short(name: str, cells: int) -> str:
    return name if len(name) <= cells else name[: cells - 1] + "…"
