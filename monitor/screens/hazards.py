"""What could hurt somebody now, piece by piece: the band of the gravest word, alarms with their ages, the fall, what holds the
load, how near it is to going over, what is not seen. Pure functions; where they stand on the screen is safetyboard.py's.
"""

from __future__ import annotations

import textwrap
from dataclasses import replace
from math import asin, atan2, degrees, hypot

from monitor import quantities as show
from monitor.engine.guidance import GUIDANCE
from monitor.engine.picture import AlarmPicture, AlarmState, Picture, Priority, SensorStatus
from monitor.rig.parts import centre_of_gravity
from monitor.rig.schema import Rig
from monitor.screens import board
from monitor.screens.canvas import large
from monitor.screens.ink import Line, Role, fit

_NEAR_OVER = 0.92
"""Share of the angle of going over from where on its colour is worn: where the alarm of it goes again."""
AGE = 8
"""Cells that an alarm's age takes at the end of its line."""
_UNSEEN = (" ? ", Role.UNKNOWN)


def band(word: str, texts: list[str], role: Role, columns: int, rows: int, corner: str = "") -> list[Line]:
    """The gravest thing there is, over the whole width: a word in large letters and what it is about beside it.

    `rows`: 3, or fewer where there is no room for large letters; then the word is written small before the first text.
    """
    letters = large(word)
    if rows < 3 or len(letters[0]) + 24 > columns:
        said = [f" {word}  {texts[0]}", *(f" {text}" for text in texts[1:] if text)]
        wrapped = [part for text in said for part in textwrap.wrap(text, max(8, columns - 1), subsequent_indent=" ")]
        return [_filled(text, role, columns, corner if i == 0 else "") for i, text in enumerate(_few(wrapped, rows))]
    room = columns - len(letters[0]) - 4
    beside = [part for text in texts[:-1] for part in (textwrap.wrap(text, room) or [""])]
    beside = [*_few([*beside, *["", ""]][: max(2, len(beside))], 2), texts[-1]]
    return [
        _filled(f" {row}   {text}", role, columns, corner if i == 2 else "")
        for i, (row, text) in enumerate(zip(letters, beside, strict=True))
    ]


def _few(texts: list[str], most: int) -> list[str]:
    """As many texts as there is room for, a blank one for each that is missing."""
    return [*texts[:most], *[""] * (most - len(texts))]


def _filled(text: str, role: Role, columns: int, corner: str) -> Line:
    room = max(0, columns - len(corner) - 1)
    return fit([*((part, role) for part, _ in fit([(text, role)], room)), (f"{corner} ", role)], columns)


def gravest(picture: Picture, columns: int, rows: int, chosen: bool = False) -> list[Line]:
    """The band of what there is to say: STOP, the gravest alarm, that not all is watched, that there is no zero, or quiet."""
    standing = board.announced(picture)
    mark = "▸" if chosen else ""
    if picture.stop_called is not None:
        texts = [f"{mark}called by {picture.stop_called}", "SHUT ALL VALVES"]
        stop = next((it for it in standing if it.rule == "stop-called"), None)
        return band("STOP", texts, Role.DANGER, columns, rows, "" if stop is None else age(stop, picture))
    if standing:
        it = standing[0]
        what, do = parted(it)
        texts = [f"{mark}{board.MARKS[it.state]} {'' if it.active else 'was: '}{what}", do.upper()]
        return band(it.priority.name, texts, board.alarm_role(it), columns, rows, age(it, picture))
    if picture.zero.taken_ns is None:
        why = picture.zero.why_not or "the load rests: it can be zeroed"
        return band(
            "NO ZERO", [f"nothing is measured yet: {why}", "WATCH THE LOAD ITSELF"], Role.UNKNOWN, columns, rows
        )
    if picture.blind:
        it_, more = picture.blind[0], len(picture.blind) - 1
        besides = f", and {more} more" if more else ""
        texts = [f"not watched: {it_.rule} {it_.about}{besides}: {it_.because}", "NO ALARM OF WHAT IS WATCHED"]
        return band("BLIND", texts, Role.UNKNOWN, columns, rows)
    return band("NO ALARM", ["everything in the plan is watched", "watch the load as well"], Role.DIM, columns, rows)


def parted(alarm: AlarmPicture) -> tuple[str, str]:
    """What an alarm says, without its priority; what is to be done."""
    what, _, do = alarm.text[8:].rpartition(" - ")
    return (what, do) if what else (do, "")


def age(alarm: AlarmPicture, picture: Picture) -> str:
    """How long ago an alarm rose: "12 s", "3:05", "1 h 02"; nothing where it never did."""
    return "" if alarm.raised_ns is None else span((picture.time_ns - alarm.raised_ns) * 1e-9)


def span(seconds: float) -> str:
    """A time as one looks at it: "12 s", "3:05", "1 h 02"."""
    whole = max(0, int(seconds))
    if whole < 60:
        return f"{whole} s"
    return f"{whole // 60}:{whole % 60:02d}" if whole < 3600 else f"{whole // 3600} h {whole % 3600 // 60:02d}"


def listed(picture: Picture, first: int, columns: int, rows: int, chosen: int | None) -> list[Line]:
    """The alarms from `first` on, each with its age; the last line says how many more there are. What is to be done is
    left out where a line is too short for it; the one that is chosen is always among those shown."""
    standing = list(enumerate(board.announced(picture)))[first:]
    shown = standing if len(standing) <= rows else standing[: max(0, rows - 1)]
    if chosen is not None and chosen >= first and shown and chosen not in [i for i, _ in shown]:
        shown = [*shown[:-1], standing[chosen - first]]
    lines = [_listed(it, picture, columns, i == chosen) for i, it in shown]
    hidden = [it for i, it in standing if i not in [j for j, _ in shown]]
    if hidden and len(lines) < rows:
        grave = max(it.priority for it in hidden)
        role = next(board.alarm_role(it) for it in hidden if it.priority is grave)
        lines.append(fit([(f"{len(hidden)} more, the gravest a {grave.word}: down shows them", role)], columns))
    return lines[:rows]


def _listed(alarm: AlarmPicture, picture: Picture, columns: int, chosen: bool) -> Line:
    room = columns - AGE - 1
    short = alarm.text if len(alarm.text) + 5 * (not alarm.active) <= room else alarm.text.rpartition(" - ")[0]
    line = board.alarm_line(replace(alarm, text=short or alarm.text), room)
    role = line[0][1]
    ages = age(alarm, picture)
    return [("▸" if chosen else " ", Role.STRONG), *line, (f"{ages:>{AGE}}", role)]


def guidance(alarm: AlarmPicture, columns: int) -> list[Line]:
    """What an alarm means and what to do about it, in sentences."""
    words = GUIDANCE.get(alarm.rule, "Nothing is written about this rule: ask the operator.")
    head: Line = [(f"{alarm.rule} {alarm.about}: what it means", Role.STRONG), ("  (escape leaves)", Role.DIM)]
    return [fit(head, columns), *(fit([(part, Role.PLAIN)], columns) for part in textwrap.wrap(words, columns))]


def fall(rig: Rig, picture: Picture, columns: int, rows: int, old: str = "") -> list[Line]:
    """How far the load falls if the bags fail now, as large as there is room for; how sure that is; whether it is too far.

    The bound is that of the rise, from which the fall is worked out. `old`: how old all that is, where it is."""
    units = rig.rig.units
    head = fit([(f"IF THE BAGS FAIL {f'({old} OLD)' if old else 'NOW, IT FALLS'}", Role.DIM)], columns)
    words = [fit(line, columns) for line in _fall_words(rig, picture)]
    if picture.fall_m is None:
        rows_of = _sized("?", columns - 14, rows - 1 - len(words))
        beside = [(" NOT KNOWN ", Role.UNKNOWN)]
    else:
        digits, unit = _number(picture.fall_m, units)
        rows_of = _sized(digits, columns - 12, rows - 1 - len(words))
        bound = picture.load.bound_m
        beside = [
            (unit, Role.STRONG),
            ("± ?" if bound is None else f"± {_number(bound, units, 1)[0]} {unit}", Role.DIM),
        ]
    role = _fall_role(rig, picture)
    drawn: list[Line] = []
    for i, row in enumerate(rows_of):
        at = i - (len(rows_of) - len(beside))
        drawn.append(fit([(f" {row} ", role), *([(" ", Role.DIM), beside[at]] if at >= 0 else [])], columns))
    return [head, *drawn, *words][:rows]


def _sized(text: str, columns: int, rows: int) -> tuple[str, ...]:
    """A number in the largest letters that fit; small where none do."""
    for size in (4, 3, 2, 1):
        drawn = large(text, size)
        if len(drawn) <= rows and len(drawn[0]) <= columns:
            return drawn
    return (text,)


def _number(m: float, units: str, places: int = 0) -> tuple[str, str]:
    """A length as digits and its unit."""
    if units == "us":
        return f"{max(0.0, m) / 0.0254:.2f}", "in"
    return (f"{max(0.0, m) * 1e3:.{places}f}", "mm") if m < 0.9995 or places else (f"{m:.2f}", "m")


def _fall_role(rig: Rig, picture: Picture) -> Role:
    if picture.fall_m is None:
        return Role.UNKNOWN
    allowed = rig.limits.capture_every
    return (
        Role.DANGER_SEEN
        if picture.fall_m > 2 * allowed
        else Role.WARNING_SEEN
        if picture.fall_m > allowed
        else Role.STRONG
    )


def _fall_words(rig: Rig, picture: Picture) -> list[Line]:
    """Whether that is too far, and what holds the load."""
    allowed = show.length(rig.limits.capture_every, rig.rig.units)
    role = _fall_role(rig, picture)
    if picture.fall_m is None:
        first: Line = [_UNSEEN, (" take it for the whole rise", Role.PLAIN)]
    elif role is Role.STRONG:
        first = [(f"within the {allowed} the plan allows", Role.DIM)]
    else:
        first = [(f"▲ MORE THAN THE {allowed} THE PLAN ALLOWS", role)]
    return [first, held(picture)]


def held(picture: Picture) -> Line:
    """What holds the load up."""
    by = picture.held_by
    if by is None:
        return [_UNSEEN, (" what holds the load is not known", Role.PLAIN)]
    if by == ("bags",):
        return [("HELD BY BAGS ALONE: nobody under it", Role.STRONG)]
    return [(f"held by {' and '.join(by)}" if by else "NOTHING KNOWN HOLDS IT", Role.PLAIN if by else Role.STRONG)]


def working(picture: Picture) -> Line:
    """The step being worked; that people are at the load, where they are."""
    now = picture.step
    if now is None or picture.zero.taken_ns is None:
        return [("no step is being worked", Role.DIM)]
    it = picture.steps[now.number - 1]
    people = "PEOPLE AT THE LOAD: " if it.do == "work" else ""
    what = f"{people}{it.do} {it.bag or ''}".strip()
    return [
        (f"step {now.number} of {len(picture.steps)}  ", Role.DIM),
        (what, Role.STRONG),
        (f"  {now.left}", Role.PLAIN),
    ]


def motion(rig: Rig, picture: Picture) -> Line:
    """How high the load is, and whether it moves."""
    load, units = picture.load, rig.rig.units
    if load.rise_m is None:
        return [_UNSEEN, (" rise not known", Role.PLAIN)]
    rate = load.rate_m_s
    way = "rate not known" if rate is None else "still"
    if rate is not None and abs(rate) > 0.0005:
        way = f"{'up' if rate > 0 else 'DOWN'} {show.speed(abs(rate), units)}"
    return [("rise ", Role.DIM), (show.length(load.rise_m, units), Role.STRONG), (f"  {way}", Role.PLAIN)]


def over(rig: Rig, picture: Picture) -> Line:
    """How far the load has turned of the angle at which it goes over centre, by the forces, else by the plan."""
    hinge = picture.hinge.line or rig.load.hinge
    if hinge is None:
        return [("turns about no hinge: it has no centre to go over", Role.DIM)]
    nx, ny = _across(rig, hinge)
    load = picture.load
    turned = None if load.a is None or load.b is None else asin(max(-1.0, min(1.0, load.a * nx + load.b * ny)))
    tip, sd = picture.balance.tip_rad, picture.balance.tip_sd_rad
    by = "" if sd is None else f" ± {degrees(2.0 * sd):.1f}°"
    if tip is None and (planned := centre_of_gravity(rig.load)) is not None:
        x, y, z = planned
        (x0, y0), _ = hinge
        tip, by = atan2(abs((x - x0) * nx + (y - y0) * ny), z), " (plan)"
    if tip is None:
        return [_UNSEEN, (f" turned {show.angle(turned)}, goes over at ?", Role.PLAIN)]
    if turned is None:
        return [_UNSEEN, (f" turned by how much? goes over at {degrees(tip):.1f}°", Role.PLAIN)]
    share = max(0.0, turned / tip) if tip > 0 else 1.0
    role = Role.DANGER_SEEN if share > _NEAR_OVER else Role.STRONG
    mark, where = ("▲ " if share > _NEAR_OVER else ""), f"{degrees(tip):.1f}°"
    return [
        (f"{mark}turned ", role if mark else Role.DIM),
        (show.angle(turned), role),
        (f", goes over at {where}{by}", role if mark else Role.PLAIN),
    ]


def _across(rig: Rig, hinge: tuple[tuple[float, float], tuple[float, float]]) -> tuple[float, float]:
    """Unit vector square to the hinge, toward the stacks."""
    (x0, y0), (x1, y1) = hinge
    length = hypot(x1 - x0, y1 - y0) or 1.0
    nx, ny = (y0 - y1) / length, (x1 - x0) / length
    side = sum((s.at[0] - x0) * nx + (s.at[1] - y0) * ny for s in rig.stack)
    return (nx, ny) if side >= 0.0 else (-nx, -ny)


def shores(rig: Rig, picture: Picture, rows: int) -> list[Line]:
    """The shores that are behind the load, the worst first; or that all of them follow."""
    units = rig.rig.units
    if not picture.shores:
        return [[("no shores: cribbing alone captures it", Role.DIM)]][:rows]
    ranked = sorted(picture.shores, key=lambda it: -1.0 if it.gap_m is None else -it.gap_m / it.gap_allowed_m)
    unknown = [it for it in ranked if it.gap_m is None]
    behind = [it for it in ranked if it.gap_m is not None and it.gap_m > it.gap_allowed_m]
    lines: list[Line] = []
    for it in behind:
        gap, most = show.length(it.gap_m, units), show.length(it.gap_allowed_m, units)
        role = Role.DANGER_SEEN if (it.gap_m or 0.0) > 2 * it.gap_allowed_m else Role.WARNING_SEEN
        lines.append([(f"▽ {it.name} {gap} BEHIND, {most} allowed, {it.doing}", role)])
    lines += [[_UNSEEN, (f" {it.name}: how far behind is not known", Role.PLAIN)] for it in unknown]
    if not lines:
        worst = ranked[0]
        gap = show.length(worst.gap_m, units)
        lines.append([("shores follow", Role.PLAIN), (f", at most {gap} behind ({worst.name})", Role.DIM)])
    return _most(lines, rows, "shores")


def unseen(picture: Picture, rows: int) -> list[Line]:
    """What the monitor cannot see: rules that say nothing, ports that are down, sensors that are not ok."""
    told = _blind(picture)
    told += [
        f"port {it.name} {'not heard yet' if it.up is None else 'DOWN'} {it.text}".strip()
        for it in picture.ports
        if not it.up
    ]
    told += [f"port {it.name}: {it.unwell}" for it in picture.ports if it.unwell]
    told += [
        f"sensor {it.name} {it.status.value}{f': {it.says}' if it.says else ''}"
        for it in picture.sensors
        if it.status is not SensorStatus.OK
    ]
    told += [f"out of service: {it}" for it in board.out_of_service(picture)]
    if not told:
        return [[(f"all is seen: {len(picture.sensors)} sensors ok, ports up", Role.DIM)]][:rows]
    return _most([[_UNSEEN, (f" {it}", Role.PLAIN)] for it in told], rows, "unseen")


def _blind(picture: Picture) -> list[str]:
    """The rules that say nothing, those of one reason together."""
    whys: dict[str, list[str]] = {}
    for it in picture.blind:
        whys.setdefault(it.because, []).append(f"{it.rule} {it.about}")
    return [f"{names[0]}{f' and {len(names) - 1} more' * (len(names) > 1)}: {why}" for why, names in whys.items()]


def _most(lines: list[Line], rows: int, what: str) -> list[Line]:
    """As many as there are rows for; the last says how many more."""
    if len(lines) <= rows:
        return lines
    kept = max(0, rows - 1)
    return [*lines[:kept], [(f"and {len(lines) - kept} more {what}", Role.STRONG)]][:rows]


def greyed(lines: list[Line], columns: int) -> list[Line]:
    """What is old: no colour in it, and a broken line down its left edge, also where there is no colour at all."""
    out = []
    for line in lines:
        grey: Line = [("┊", Role.OLD), *((text, Role.OLD) for text, _ in line)]
        out.append([(text, Role.OLD) for text, _ in fit(grey, columns)])
    return out


def graver(picture: Picture) -> tuple[int, int, float]:
    """How bad things are, for an order of rigs, the worst greatest: the gravest priority, new before seen, the fall."""
    standing = board.announced(picture)
    worst = max((it.priority for it in standing), default=Priority.NOTICE if picture.blind else 0)
    fresh = any(it.priority == worst and it.state is AlarmState.UNACKNOWLEDGED for it in standing)
    stop = 10 if picture.stop_called is not None else 0
    return int(worst) + stop, int(fresh), -1.0 if picture.fall_m is None else picture.fall_m
