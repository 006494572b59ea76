"""Other limits on a recording: which may be changed and how they read, and what sounded then beside what would have. Pure.

Trying a limit here changes nothing of a rig file: whoever wants it writes it there.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from itertools import zip_longest

from monitor import quantities as show
from monitor.rig.schema import Rig
from monitor.screens.ink import Line, Role, fit
from monitor.screens.recorded import Mark, Other

NAMES = {
    "capture_every": "rise between two captures",
    "rise_rate": "how fast the load rises",
    "tilt": "turned about the hinge",
    "cross_tilt": "tilt across the hinge",
    "weight_margin": "heavier than planned",
    "apart": "how far two stacks' heads part",
}
"""The limits of a rig file, as it names them, and what each is about."""
STEP = 1.1
"""One press makes a limit a tenth larger, or undoes that."""
_SAME_NS = 100_000_000
"""Two ticks: alarms this near to each other rose together."""


def of(rig: Rig) -> dict[str, float]:
    """The limits of a rig that have a value (SI)."""
    values = {name: getattr(rig.limits, name) for name in NAMES}
    return {name: value for name, value in values.items() if value is not None}


def in_words(name: str, value: float, units: str) -> str:
    """A limit as a person reads it."""
    if name == "rise_rate":
        return show.speed(value, units)
    if name == "weight_margin":
        return f"{value * 100:.0f} %"
    return show.angle(value) if "tilt" in name else show.length(value, units)


def changed(rig: Rig, limits: Mapping[str, float]) -> str:
    """What differs from the recording's own limits, in words."""
    own, units = of(rig), rig.rig.units
    return ", ".join(f"{name} {in_words(name, value, units)}" for name, value in limits.items() if value != own[name])


def events(marks: Sequence[Mark], other: Other | None) -> list[tuple[Mark, str]]:
    """Every mark, and with other limits those alarms as well that rose under them alone; beside each alarm what became of it."""
    if other is None:
        return [(mark, "") for mark in marks]
    then, now = _by_alarm(it for it in marks if it.kind == "alarm"), _by_alarm(other.marks)
    told = [(mark, "") for mark in marks if mark.kind != "alarm"]
    for key in dict.fromkeys((*then, *now)):
        for was, would in zip_longest(then.get(key, ()), now.get(key, ())):
            if was is None:
                told.append((would, "only under these limits"))
            elif would is not None:
                told.append((was, _apart(would.time_ns - was.time_ns)))
            else:
                come = other.whole or was.time_ns <= other.known_ns
                told.append((was, "not under these limits" if come else "not come to yet"))
    return sorted(told, key=lambda it: it[0].time_ns)


def _by_alarm(marks: Iterable[Mark]) -> dict[str, list[Mark]]:
    """The marks of each rule at each place and priority, in order."""
    found: dict[str, list[Mark]] = defaultdict(list)
    for mark in marks:
        found[mark.text.split(":")[0]].append(mark)
    return found


def _apart(ns: int) -> str:
    if abs(ns) <= _SAME_NS:
        return "as then"
    return f"{abs(ns) * 1e-9:.1f} s {'later' if ns > 0 else 'earlier'}"


def choice(rig: Rig, limits: Mapping[str, float], chosen: int, columns: int) -> list[Line]:
    """The limits to choose and change."""
    own, units = of(rig), rig.rig.units
    lines: list[Line] = [fit([("OTHER LIMITS: what would have sounded, and when", Role.STRONG)], columns)]
    for i, name in enumerate(own):
        value = limits.get(name, own[name])
        tried = "" if value == own[name] else f"  ▸ {in_words(name, value, units)}"
        role = Role.STRONG if i == chosen else Role.PLAIN
        text = f"{'>' if i == chosen else ' '} {name:<14} {NAMES[name]:<27} {in_words(name, own[name], units):>10}"
        lines.append(fit([(text, role), (tried, Role.STRONG)], columns))
    return [
        *lines,
        fit([("up and down choose, left and right change by a tenth, enter runs the", Role.DIM)], columns),
        fit([("recording again under them; with none changed it goes back to its own", Role.DIM)], columns),
        fit([("any other key goes back; the rig file is not touched", Role.DIM)], columns),
    ]
