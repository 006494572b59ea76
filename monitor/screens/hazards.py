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

_GONE = 1.5
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
    room = columns - len(letters[0]) - 5
    parts = [part for text in texts[:-1] for part in textwrap.wrap(text, room)]
    beside = [*_few([*parts[:1], " ".join(parts[1:])], 2), texts[-1]]  # what is too long is seen to be cut
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
    standing, at = board.announced(picture), in_band(picture)
    mark = "▸" if chosen else ""
    if picture.stop_called is not None:
        texts = [f"{mark}called by {picture.stop_called}", "SHUT ALL VALVES"]
        since = "" if at is None else age(standing[at], picture)
        return band("STOP", texts, Role.DANGER, columns, rows, since)
    if at is not None:
        it = standing[at]
        what, do = parted(it)
        word, about = it.priority.name, f"{mark}{board.MARKS[it.state]} {what}"
        if not it.active:
            word, about = "WAS", f"{mark}{board.MARKS[it.state]} {it.priority.word}: {what}"
            do = "gone, nobody has seen it" if it.state is AlarmState.RETURNED else "gone and seen, not reset"
        others = f"+{len(standing) - 1}  " if rows == 1 and len(standing) > 1 else ""
        return band(word, [about, do.upper()], board.alarm_role(it), columns, rows, others + age(it, picture))
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


def in_band(picture: Picture) -> int | None:
    """Which of the announced alarms the band shows: STOP, else the gravest that stands, else the gravest."""
    standing = board.announced(picture)
    if picture.stop_called is not None:
        return next((i for i, it in enumerate(standing) if it.rule == "stop-called"), None)
    if not standing:
        return None
    return next((i for i, it in enumerate(standing) if it.active), 0)


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


def listed(picture: Picture, besides: int | None, columns: int, rows: int, chosen: int | None) -> list[Line]:
    """The alarms, without the one that stands in the band, each with its age; the last line says how many more there are.

    What is to be done is left out where a line is too short for it; the one that is chosen is always among those shown."""
    standing = [(i, it) for i, it in enumerate(board.announced(picture)) if i != besides]
    shown = standing if len(standing) <= rows else standing[: max(0, rows - 1)]
    if shown and chosen not in (None, besides, *(i for i, _ in shown)):
        shown = [*shown[:-1], *(pair for pair in standing if pair[0] == chosen)]
    lines = [_listed(it, picture, columns, i == chosen) for i, it in shown]
    hidden = [it for i, it in standing if i not in [j for j, _ in shown]]
    if hidden and len(lines) < rows:
        grave = max(it.priority for it in hidden)
        role = next(board.alarm_role(it) for it in hidden if it.priority is grave)
        lines.append(fit([(f"{len(hidden)} more, the gravest a {grave.word}: down shows them", role)], columns))
    return lines[:rows]


def _listed(alarm: AlarmPicture, picture: Picture, columns: int, chosen: bool) -> Line:
    room = max(0, columns - AGE - 1)
    short = alarm.text if len(alarm.text) + 5 * (not alarm.active) <= room else alarm.text.rpartition(" - ")[0]
    line = board.alarm_line(replace(alarm, text=short or alarm.text), room)
    role = board.alarm_role(alarm)
    ages = age(alarm, picture)
    return [("▸" if chosen else " ", Role.STRONG), *line, (f"{ages:>{AGE}}", role)]


def guidance(alarm: AlarmPicture, columns: int) -> list[Line]:
    """What an alarm means and what to do about it, in sentences."""
    words = GUIDANCE.get(alarm.rule, "Nothing is written about this rule: ask the operator.")
    head: Line = [(f"{alarm.rule} {alarm.about}: what it means", Role.STRONG), ("  (escape leaves)", Role.DIM)]
    return [fit(head, columns), *(fit([(part, Role.PLAIN)], columns) for part in textwrap.wrap(words, max(1, columns)))]


def fall(rig: Rig, picture: Picture, columns: int, rows: int, old: str = "") -> list[Line]:
    """How far the load falls if the bags fail now, as large as there is room for; how sure that is; whether it is too far.

    There is always room for three digits, so that a fall that grows does not get smaller. `old`: how old all that is."""
    head = fit([(f"IF THE BAGS FAIL {f'({old} OLD)' if old else 'NOW, IT FALLS'}", Role.DIM)], columns)
    words = [fit(line, columns) for line in _fall_words(rig, picture)]
    room, high = columns - 5, rows - 1 - len(words)
    if picture.fall_m is None:
        drawn, unit, role = _sized("?", "?", columns - 14, high), (" NOT KNOWN ", Role.UNKNOWN), Role.UNKNOWN
    else:
        digits, widest, of = _number(picture.fall_m, rig.rig.units, picture.load.bound_m)
        drawn, unit, role = _sized(digits, widest, room, high), (of, Role.STRONG), _fall_role(rig, picture)
    last = len(drawn) - 1
    large_ = [fit([(f" {row} ", role), *([unit] if i == last else [])], columns) for i, row in enumerate(drawn)]
    return [head, *large_, *words][:rows]


def _sized(text: str, widest: str, columns: int, rows: int) -> tuple[str, ...]:
    """A number in the largest letters in which the widest there may be fits; small where none do. It ends where that ends."""
    for size in range(7, 0, -1):
        for part in range(max(1, size // 2), 0, -1):
            drawn, cells = _tall(text, size, part), len(_tall(widest, size, part)[0])
            if "/" in widest and "/" not in text:  # whole inches stand where they stand before a fraction
                drawn = tuple(row + " " * (1 + len(large(_FRACTION, part)[0])) for row in drawn)
            if len(drawn) <= rows and max(cells, len(drawn[0])) <= columns:
                return tuple(f"{row:>{cells}}" for row in drawn)
    return (text,)


def _tall(number: str, size: int, part: int) -> tuple[str, ...]:
    """A number in letters of `size`; of inches on a tape, the fraction behind them in letters of `part`."""
    whole, _, fraction = number.rpartition(" ") if "/" in number else (number, "", "")
    rows = large(whole or "0", size)
    if not fraction:
        return rows
    small, wide = large(fraction, part), len(large(_FRACTION, part)[0])
    above = len(rows) - len(small)
    return tuple(f"{row} {small[i - above] if i >= above else '':<{wide}}" for i, row in enumerate(rows))


_FRACTION = "00/00"
"""As wide as a fraction of an inch gets."""


def _number(m: float, units: str, bound_m: float | None) -> tuple[str, str, str]:
    """A length as digits, the widest that are usual, and its unit; inches as a tape is read, rounded to what is known."""
    if units == "us":
        return show.large(max(0.0, m), units, bound_m)[0], f"00 {_FRACTION}", "in"
    return (f"{max(0.0, m) * 1e3:.0f}", "000", "mm") if m < 0.9995 else (f"{m:.2f}", "0.00", "m")


def _bound(rig: Rig, picture: Picture) -> str:
    """How far the fall may be off: as far as the rise from which it is worked out."""
    bound = picture.load.bound_m
    return "± ?" if bound is None else show.bound(bound, rig.rig.units)


def _fall_role(rig: Rig, picture: Picture) -> Role:
    """Quiet within what the plan allows between two captures; on the way down, when shores are released, never beyond orange."""
    if picture.fall_m is None:
        return Role.UNKNOWN
    now = picture.step
    lowering = now is not None and picture.steps[now.number - 1].do in ("lower", "vent")
    allowed = rig.limits.capture_every
    if picture.fall_m <= allowed:
        return Role.STRONG
    return Role.WARNING_SEEN if lowering or picture.fall_m <= 2 * allowed else Role.DANGER_SEEN


def _fall_words(rig: Rig, picture: Picture) -> list[Line]:
    """Whether that is too far, and what holds the load."""
    allowed, bound = show.length(rig.limits.capture_every, rig.rig.units), _bound(rig, picture)
    role = _fall_role(rig, picture)
    if picture.fall_m is None:
        first: Line = [_UNSEEN, (" take it for the whole rise", Role.PLAIN)]
    elif role is Role.STRONG:
        first = [(f"{bound}, ", Role.PLAIN), (f"the plan allows {allowed}", Role.DIM)]
    else:
        first = [(f"▲ {bound}, MORE THAN {allowed}: KEEP CLEAR", role)]
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
    where = show.angle(tip, None if sd is None else 2.0 * sd)
    if tip is None and (planned := centre_of_gravity(rig.load)) is not None:
        x, y, z = planned
        (x0, y0), _ = hinge
        tip = atan2(abs((x - x0) * nx + (y - y0) * ny), z)
        where = f"{degrees(tip):.1f}° (plan)"
    if tip is None:
        return [_UNSEEN, (f" turned {show.angle(turned)}, goes over at ?", Role.PLAIN)]
    if turned is None:
        return [_UNSEEN, (f" turned by how much? goes over at {where}", Role.PLAIN)]
    share = max(0.0, turned / tip) if tip > 0 else 1.0
    role = Role.DANGER_SEEN if share > _NEAR_OVER else Role.STRONG
    mark = "▲ " if share > _NEAR_OVER else ""
    return [
        (f"{mark}turned ", role if mark else Role.DIM),
        (show.angle(turned), role),
        (f", goes over at {where}", role if mark else Role.PLAIN),
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
    ranked = sorted(
        picture.shores, key=lambda it: -1.0 if it.gap_m is None else -it.gap_m / max(1e-6, it.gap_allowed_m)
    )
    unknown = [it for it in ranked if it.gap_m is None]
    behind = [it for it in ranked if it.gap_m is not None and it.gap_m > it.gap_allowed_m]
    lines: list[Line] = []
    for it in behind:
        gap, most = show.length(it.gap_m, units), show.length(it.gap_allowed_m, units)
        role = Role.DANGER_SEEN if (it.gap_m or 0.0) > 2 * it.gap_allowed_m else Role.WARNING_SEEN
        lines.append([(f"▽ {it.name} {gap} BEHIND, {most} allowed, {it.doing}", role)])
    if unknown:
        lines.append([_UNSEEN, (f" how far behind? {', '.join(it.name for it in unknown)}", Role.PLAIN)])
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
    if rows == 1:
        return [[(f"(+{len(lines) - 1}) ", Role.STRONG), *lines[0]]]
    return [*lines[: rows - 1], [(f"and {len(lines) - rows + 1} more {what}", Role.STRONG)]] if rows else []


def greyed(lines: list[Line], columns: int) -> list[Line]:
    """What is old: no colour in it, and a broken line down its left edge, also where there is no colour at all."""
    out = []
    for line in lines:
        grey: Line = [("┊", Role.OLD), *((text, Role.OLD) for text, _ in line)]
        out.append([(text, Role.OLD) for text, _ in fit(grey, columns)])
    return out


def graver(picture: Picture) -> tuple[float, int, float]:
    """How bad things are, for an order of rigs, the worst greatest: the gravest priority that stands (one that is gone counts
    little more than a notice), new before seen, the fall."""
    ranks = [(float(it.priority) if it.active else _GONE, it) for it in board.announced(picture)]
    worst = max((rank for rank, _ in ranks), default=float(Priority.NOTICE) if picture.blind else 0.0)
    fresh = any(rank == worst and it.state is AlarmState.UNACKNOWLEDGED for rank, it in ranks)
    stop = 10.0 if picture.stop_called is not None else 0.0
    return worst + stop, int(fresh), -1.0 if picture.fall_m is None else picture.fall_m
