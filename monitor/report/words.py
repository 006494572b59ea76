"""How a report says times, spans, counts and evidence. Lengths, pressures and the rest are said as everywhere (quantities.py)."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

from monitor import quantities as show

_HOUR_NS = 3_600_000_000_000


def clock(time_ns: int | None, of_ns: int = 0) -> str:
    """A time in a session: "2:31.4", or "1:12:31" where the session takes an hour or more; "--" where there is none."""
    if time_ns is None:
        return show.UNKNOWN
    tenths = max(0, time_ns) // 100_000_000
    minutes, rest = divmod(tenths // 10, 60)
    hours, left = divmod(minutes, 60)
    if max(time_ns, of_ns) >= _HOUR_NS:
        return f"{hours}:{left:02d}:{rest:02d}"
    return f"{minutes}:{rest:02d}.{tenths % 10}"


def span(seconds: float | None) -> str:
    """How long something took: "3.4 s", "2 min 05 s", "1 h 02 min"; "--" where that is not known."""
    if seconds is None:
        return show.UNKNOWN
    if seconds < 59.95:
        return f"{round(seconds, 4):.1f} s"  # as figures and verdicts are rounded, or a half would go up here and down there
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest:02d} s" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def share(part: float | None) -> str:
    """A share in percent: "0 %", "<0.1 %", "3.2 %", "100 %"; what is a little of something is never nothing, nor all of it."""
    if part is None:
        return show.UNKNOWN
    if part <= 0.0 or part >= 1.0:
        return f"{part:.0%}".replace("%", " %")
    if part < 0.001:
        return "<0.1 %"
    return f"{min(part * 100.0, 99.9):.1f} %"


def day(when: datetime | None, after_ns: int = 0) -> str:
    """A wall clock: "1 March 2026, 09:30:00 UTC"; "at a time that the recording does not say" where there is none."""
    if when is None:
        return "at a time that the recording does not say"
    try:
        at = when + timedelta(microseconds=after_ns // 1000)
    except OverflowError:
        at = when
    return f"{at.day} {at:%B %Y, %H:%M:%S} {at.tzname() or ''}".rstrip()


def moment(written: str) -> str:
    """A wall clock as a file has it, read where it can be: "2 March 2026, 17:05:00 UTC"."""
    try:
        return day(datetime.fromisoformat(written))
    except ValueError:
        return written


_FEW = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")


def count(number: int, one: str, many: str = "") -> str:
    """A count of things in words: "no alarm", "one alarm", "three alarms", "31 alarms"."""
    said = _FEW[number] if number < len(_FEW) else str(number)
    return f"{said} {one if number == 1 or not one else many or f'{one}s'}"


def listed(parts: list[str]) -> str:
    """Several things in a sentence: "a, b and c"."""
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}" if parts else ""


def off(value: str, bound: str) -> str:
    """A value with how far it may be off, "± --" where that is not known."""
    return f"{value} {bound}" if value != show.UNKNOWN else value


_KINDS: tuple[tuple[str, Callable[[float, str], str]], ...] = (
    ("_pa_s", lambda v, units: f"{show.small(v, 'pressure', units)}/s"),
    ("_m_s", lambda v, units: show.speed(v, units)),
    ("_m3", lambda v, units: show.volume(v, units)),
    ("_pa", lambda v, units: show.pressure(v, units)),
    ("_rad", lambda v, _: show.angle(v)),
    ("_m", lambda v, units: show.length(v, units)),
    ("_n", lambda v, units: show.force(v, units)),
    ("_s", lambda v, _: span(v)),
)
"""What the last letters of a key of evidence say of its unit, the longest first."""


def evidence(key: str, value: float | str | None, units: str) -> str:
    """One piece of an alarm's evidence in words: "lean 135 mm", "limit 150 mm"."""
    for ending, said in _KINDS:
        name = key.removesuffix(ending).replace("_", " ")
        if key.endswith(ending) and len(key) > len(ending):
            if isinstance(value, str):
                return f"{name} {value}"
            return f"{name} {show.UNKNOWN if value is None else said(float(value), units)}"
    name = key.replace("_", " ")
    if isinstance(value, float):
        return f"{name} {value:.4g}"
    return f"{name} {show.UNKNOWN if value is None else value}"
