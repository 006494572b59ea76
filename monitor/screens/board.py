"""The words and numbers of the operator's screen, as drawings: alarms, step, bags, shores, status. Pure functions."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from monitor import quantities as show
from monitor.engine.picture import (
    AlarmPicture,
    AlarmState,
    BagPicture,
    Picture,
    Priority,
    ShorePicture,
    StackPicture,
    StepPicture,
)
from monitor.screens.ink import Line, Role, fit

_NEW = {
    Priority.DANGER: Role.DANGER,
    Priority.WARNING: Role.WARNING,
    Priority.CAUTION: Role.CAUTION,
    Priority.NOTICE: Role.NOTICE,
}
_SEEN = {
    Priority.DANGER: Role.DANGER_SEEN,
    Priority.WARNING: Role.WARNING_SEEN,
    Priority.CAUTION: Role.CAUTION_SEEN,
    Priority.NOTICE: Role.NOTICE_SEEN,
}
MARKS = {
    AlarmState.UNACKNOWLEDGED: "◆",
    AlarmState.ACKNOWLEDGED: "◇",
    AlarmState.RETURNED: "◁",
    AlarmState.SHELVED: "⌂",
    AlarmState.SUPPRESSED: "·",
    AlarmState.OUT_OF_SERVICE: "×",
}
"""New and unseen; seen and standing; gone before it was seen; set aside; told by another alarm; out of service."""
_WORD = 7


def announced(picture: Picture) -> list[AlarmPicture]:
    """The alarms that ask for somebody: all but those set aside or told by another.

    A rule that stands at two priorities in one place is shown once, at the graver; seeing that one sees both.
    """
    quiet = (AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)
    asking = [alarm for alarm in picture.alarms if alarm.state not in quiet]
    graver = {(alarm.rule, alarm.about): alarm.priority for alarm in reversed(asking) if alarm.active}
    return [it for it in asking if it.priority >= graver.get((it.rule, it.about), it.priority)]


def shown_alarms(picture: Picture, rows: int) -> list[AlarmPicture]:
    """The alarms that an alarm panel of so many rows shows, the gravest first.

    Where there is no room for all of them, those that come of another which is shown are folded under it, dangers last.
    """
    standing = announced(picture)
    if len(standing) <= rows:
        return standing
    first = sorted(standing, key=lambda it: (it.priority is not Priority.DANGER, it.under is not None))
    kept = {(it.rule, it.about) for it in first[: max(1, rows - 1)]}
    return [it for it in standing if (it.rule, it.about) in kept]


def alarms(picture: Picture, columns: int, rows: int) -> list[Line]:
    """The alarm lines; how many more there are; or, when nothing is wrong, what is watched and what is not."""
    standing, shown = announced(picture), shown_alarms(picture, rows)
    hidden = [it for it in standing if it not in shown]
    folded = Counter(it.under for it in hidden)
    lines = [alarm_line(it, columns, among=len(standing) > 1, folded=folded[f"{it.rule} {it.about}"]) for it in shown]
    if hidden:
        gravest = hidden[0].priority
        lines.append(fit([(f"{len(hidden)} more, the gravest a {gravest.word}", _NEW[gravest])], columns))
    if not lines and (rows > 1 or not picture.blind):
        lines.append(fit(_quiet(picture), columns))
    if picture.blind and len(lines) < rows:
        lines.append(fit(_unwatched(picture), columns))
    if (out := out_of_service(picture)) and len(lines) < rows:
        lines.append(
            fit([(f"{MARKS[AlarmState.OUT_OF_SERVICE]} out of service: {', '.join(out)}", Role.UNKNOWN)], columns)
        )
    return lines[:rows]


def out_of_service(picture: Picture) -> list[str]:
    """What nobody watches because somebody has taken it out of service, each once."""
    out = (it for it in picture.alarms if it.state is AlarmState.OUT_OF_SERVICE)
    return list(dict.fromkeys(f"{it.rule} {it.about}" for it in out))


def alarm_role(alarm: AlarmPicture) -> Role:
    """What an alarm is written in: filled with its colour until it is seen, in it afterwards."""
    return (_NEW if alarm.state is AlarmState.UNACKNOWLEDGED else _SEEN)[alarm.priority]


def alarm_line(alarm: AlarmPicture, columns: int, *, among: bool = False, folded: int = 0) -> Line:
    """One alarm over the whole width: filled with its colour until it is seen, its mark between word and text.

    `among`: others stand beside it, and that it came first is worth saying. `folded`: how many that come of it have no line
    of their own. What is said of an alarm besides its own text is said where there is room.
    """
    role = alarm_role(alarm)
    was = "" if alarm.active else "was: "
    said = alarm.text[_WORD + 1 :]
    if alarm.state is AlarmState.RETURNED:
        said = said.rpartition(" - ")[0] or said  # what was to be done is over
    text = f"{alarm.text[:_WORD]}{MARKS[alarm.state]}{was}{said}"
    for besides in _besides(alarm, among, folded):
        if len(text) + len(besides) <= columns:
            text += besides
    return [(part, role) for part, _ in fit([(text, role)], columns)]


def _besides(alarm: AlarmPicture, among: bool, folded: int) -> Iterator[str]:
    if folded:
        yield f" (+{folded} under it)"
    if alarm.state is AlarmState.RETURNED:
        yield " (gone, not yet seen)"
    if alarm.state is AlarmState.ACKNOWLEDGED and not alarm.active:
        yield " (r resets it)"
    if alarm.chattering:
        yield " (comes and goes)"
    if alarm.first and among:
        yield " (first)"


def _quiet(picture: Picture) -> Line:
    if picture.zero.taken_ns is None:
        why = "the load rests: press z" if picture.zero.ready else f"waiting for rest: {picture.zero.why_not}"
        return [("NO ZERO YET  ", Role.STRONG), (why, Role.PLAIN)]
    if picture.blind:
        return [("no alarm of what is watched, and not everything is", Role.PLAIN)]
    return [("no alarm  ", Role.DIM), ("watch the load as well as this screen", Role.DIM)]


def _unwatched(picture: Picture) -> Line:
    first = picture.blind[0]
    more = f" and {len(picture.blind) - 1} more" if len(picture.blind) > 1 else ""
    return [(" UNKNOWN ", Role.UNKNOWN), (f" {first.rule} {first.about}{more}: {first.because}", Role.PLAIN)]


def step(picture: Picture, columns: int) -> list[Line]:
    """The step being worked, how far to its stop, and what comes next: two lines."""
    now = picture.step
    if picture.zero.taken_ns is None or now is None:
        text = "after the zero the plan begins" if picture.zero.taken_ns is None else "the plan is at its end"
        if picture.abandoned:
            text = "the plan is given up, b takes it up again; all that needs none is watched"
        return [fit([("STEP  ", Role.DIM), (text, Role.PLAIN)], columns), _under(picture, fit([], columns), columns)]
    it = picture.steps[now.number - 1]
    head = f"STEP {now.number} of {len(picture.steps)}  "
    what = _what(it)
    bar = _bar(now.progress, 10)
    state = "REACHED: shut it, press n" if now.done and it.do == "fill" else "DONE: press n" if now.done else now.left
    role = Role.STRONG if now.done else Role.PLAIN
    if picture.stop_called is not None:
        state, role = "HOLD: STOP stands", Role.STRONG
    first: Line = [(head, Role.DIM), (f"{what:<24} ", Role.STRONG), (bar, Role.PLAIN), (f"  {state}", role)]
    follows = picture.steps[now.number] if now.number < len(picture.steps) else None
    then = f"then {_what(follows)}" if follows else "then the plan is at its end"
    second: Line = [(" " * len(head), Role.DIM), (f"{it.stop}; {then}", Role.DIM)]
    return [fit(first, columns), _under(picture, second, columns)]


def _under(picture: Picture, otherwise: Line, columns: int) -> Line:
    """The line under the step: how STOP is cleared while it stands; before the zero the checklist, while any of it is open."""
    still = sum(not it.ticked for it in picture.checklist)
    if picture.stop_called is not None:
        return fit([("STOP  ", Role.STRONG), ("c clears it, once whoever called it agrees", Role.PLAIN)], columns)
    if picture.zero.taken_ns is None and still:
        return fit(
            [("CHECKLIST  ", Role.DIM), (f"{still} of {len(picture.checklist)} open: press l", Role.STRONG)], columns
        )
    return fit(otherwise, columns)


def plan(picture: Picture, columns: int) -> list[Line]:
    """Every step of the plan, and how it went."""
    now = picture.step.number if picture.step is not None and picture.zero.taken_ns is not None else None
    lines: list[Line] = [fit([("PLAN", Role.DIM)], columns)]
    for it in picture.steps:
        mark = "▶" if it.number == now else "✓" if it.ok else "✗" if it.ok is False else " "
        role = Role.STRONG if it.number == now else Role.DIM
        lines.append(fit([(f"{mark} {it.number} {_what(it):<20} {it.stop}", role)], columns))
    return lines


def checklist(picture: Picture, columns: int, rows: int) -> list[Line]:
    """How much of the checklist is ticked, and what is open of it."""
    still = [it for it in picture.checklist if not it.ticked]
    done = len(picture.checklist) - len(still)
    head = f"{done} of {len(picture.checklist)} ticked" + (", l opens it" if still else "")
    lines: list[Line] = [fit([("CHECKLIST  ", Role.DIM), (head, Role.STRONG if still else Role.DIM)], columns)]
    lines += [fit([(f"  [ ] {it.item}", Role.PLAIN)], columns) for it in still]
    if len(lines) > rows:
        lines[rows - 1 :] = [fit([(f"  and {len(lines) - rows + 1} more", Role.STRONG)], columns)]
    return lines


def _what(step: StepPicture) -> str:
    return f"{step.do} {step.bag or ''}".strip()


def _bar(share: float | None, cells: int) -> str:
    if share is None:
        return "[" + "·" * cells + "]"
    full = round(share * cells)
    return "[" + "█" * full + "·" * (cells - full) + "]"


def bags(stacks: tuple[StackPicture, ...], units: str, columns: int) -> list[Line]:
    """Every bag, from the head of its stack down: pressure, what is needed, what there is, how much of it is used."""
    head = f"{'BAG ' + _unit(units):<10}{'now':>6}{'needs':>7}{'supply':>7}{'use':>6}"
    lines = [fit([(head, Role.DIM)], columns)]
    for stack in stacks:
        lines += [fit(_bag(bag, units), columns) for bag in reversed(stack.bags)]
    return lines


def _bag(bag: BagPicture, units: str) -> Line:
    now, needs, supply = (
        _bare(show.pressure(value, units)) for value in (bag.pressure_pa, bag.needed_pa, bag.supply_pa)
    )
    use = "--" if bag.use is None else f"{max(0.0, bag.use) * 100:.0f} %"
    return [
        (f"{_short(bag.name, 10):<10}", Role.PLAIN),
        (f"{now:>6}", Role.STRONG if bag.pressure_pa is not None else Role.UNKNOWN),
        (f"{needs:>7}{supply:>7}{use:>6}  ", Role.PLAIN),
        (bag.doing, Role.STRONG if bag.doing in ("filling", "venting") else Role.DIM),
    ]


def shores(them: tuple[ShorePicture, ...], units: str, columns: int) -> list[Line]:
    """Every shore: how far behind the load, of what is allowed; its air, of what it needs to follow."""
    if not them:
        return [fit([("no shores: capture with cribbing", Role.DIM)], columns)]
    name = "SHORE in" if units == "us" else "SHORE"
    lines = [fit([(f"{name:<10}{'gap':>6}{' allowed':<9}{'air':>5}{' follow':<7}", Role.DIM)], columns)]
    for it in them:
        behind = it.gap_m is not None and it.gap_m > it.gap_allowed_m
        role = Role.UNKNOWN if it.gap_m is None else Role.WARNING if behind else Role.STRONG
        lines.append(
            fit(
                [
                    (f"{_short(it.name, 9):<9}", Role.PLAIN),
                    (f"{_bare(show.length(it.gap_m, units)):>7}", role),
                    (f" {_bare(show.length(it.gap_allowed_m, units)):<8}", Role.PLAIN),
                    (
                        f"{_bare(show.pressure(it.air_pa, units)):>5}",
                        Role.UNKNOWN if it.air_pa is None else Role.STRONG,
                    ),
                    (f" {_bare(show.pressure(it.follow_pa, units)):<6} ", Role.PLAIN),
                    ("BEHIND" if behind else it.doing, Role.STRONG if behind else Role.DIM),
                ],
                columns,
            )
        )
    return lines


def _unit(units: str) -> str:
    return "psi" if units == "us" else "bar"


def numbers(picture: Picture, units: str, columns: int) -> list[Line]:
    """Rate, tilt, lean, what is not captured, the fall if the bags failed now, the load."""
    load = picture.load
    rate = None if load.rate_m_s is None else load.rate_m_s
    way = "" if rate is None else " up" if rate > 0.0005 else " down" if rate < -0.0005 else " still"
    lines: list[Line] = [
        [("rate  ", Role.DIM), (show.speed(None if rate is None else abs(rate), units) + way, Role.PLAIN)],
        [("tilt  ", Role.DIM), (f"x {show.angle(load.tilt_x_rad)}  y {show.angle(load.tilt_y_rad)}", Role.PLAIN)],
    ]
    for stack in picture.stacks:
        use = "" if stack.lean_use is None else f"  {stack.lean_use * 100:.0f} %"
        lines.append(
            [
                (f"lean {stack.name}  ", Role.DIM),
                (f"{show.length(stack.lean_m, units)} of {show.length(stack.ring_m, units)} ring{use}", Role.PLAIN),
            ]
        )
    lines += [
        [("not captured  ", Role.DIM), (show.length(picture.uncaptured_m, units), Role.PLAIN)],
        [("fall if bags fail  ", Role.DIM), (show.length(picture.fall_m, units), Role.STRONG)],
        [("load  ", Role.DIM), (_balance(picture, units), Role.PLAIN)],
    ]
    return [fit(line, columns) for line in lines]


def _balance(picture: Picture, units: str) -> str:
    """What the load weighs and at what tilt it goes over centre, each once it is known."""
    it = picture.balance
    over = "" if it.tip_rad is None else f", over centre at {show.angle(it.tip_rad, _twice(it.tip_sd_rad))}"
    return f"weighs {show.force(it.weight_n, units, _twice(it.weight_sd_n))}{over}"


def _twice(sd: float | None) -> float | None:
    """Two standard deviations: nineteen times in twenty it is off by no more."""
    return None if sd is None else 2.0 * sd


def status(picture: Picture, recording: str, columns: int) -> Line:
    """Time, ports, sensors, what is out of service, a flood of alarms, recording: one line."""
    minutes, seconds = divmod(int(picture.time_ns * 1e-9), 60)
    down = [port.name for port in picture.ports if port.up is not True]
    ports = f"{', '.join(down)} DOWN" if down else "ports up"
    if unwell := [f"{port.name}: {port.unwell}" for port in picture.ports if port.unwell]:
        ports = "  ".join([*([ports] if down else []), *unwell])
    odd = sum(sensor.status.value != "ok" for sensor in picture.sensors)
    sensors = f"{odd} of {len(picture.sensors)} sensors NOT OK" if odd else f"{len(picture.sensors)} sensors ok"
    parts: Line = [
        (f"{minutes:02d}:{seconds:02d}  ", Role.STRONG),
        (ports, Role.STRONG if down or unwell else Role.DIM),
        ("  ", Role.DIM),
        (sensors, Role.STRONG if odd else Role.DIM),
    ]
    if out := out_of_service(picture):
        parts.append((f"  {len(out)} out of service", Role.STRONG))
    if picture.flood:
        parts.append(("  ALARM FLOOD", Role.STRONG))
    return fit([*parts, (f"  {recording}", Role.DIM)], columns)


def _bare(text: str) -> str:
    """A pressure, or a length in inches, without its unit where a column's numbers all share it."""
    return text.removesuffix(" bar").removesuffix(" psi").removesuffix(" in")


def _short(name: str, cells: int) -> str:
    return name if len(name) <= cells else name[: cells - 1] + "…"
