"""Measures a session: hand it every entry and every picture of one pass of the engine, in order, then ask for its figures.

Time is counted from picture to picture, what a picture says holding since the one before it. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from math import hypot

from drivers.reading import Reading
from monitor.debrief.figures import PRIORITIES, Figures
from monitor.debrief.reactions import STOP, Reaction, Reactions
from monitor.debrief.record import NO_ZERO, UNKNOWN, Peak, Record
from monitor.engine.picture import Picture, Priority, SensorStatus, StepPicture
from monitor.engine.rules import RULES
from monitor.rig.schema import Rig
from replay.entries import Action, Entry

_BLIND_NS = 1_000_000_000
"""Between two pictures that are farther apart, nobody knows what was: a live engine makes twenty a second."""
_OUT_OF_TURN = ("bag-order", "bag-early")
_SAYS = {priority: frozenset(rule.name for rule in RULES if rule.priority is priority) for priority in Priority}
"""The rules that can say a priority."""
_LOWERS = {"lower": True, "fill": False, "work": False}
"""Steps from which on the load goes down, or no longer; any other leaves that as it was, and so does the plan's end."""
_NO_PLAN = "the rig file holds no plan"


@dataclass(slots=True)
class _Step:
    """One step, all its tries."""

    tries: int = 0
    spent_ns: int = 0
    rise_m: float | None = None
    gap: Peak = field(default_factory=Peak)
    capture: Peak = field(default_factory=Peak)
    fall: Peak = field(default_factory=Peak)
    lean: Peak = field(default_factory=Peak)
    dangers: int = 0
    alarms: int = 0


class Measuring:
    """Gathers the figures of one session under the limits of `rig`, which may be others than those it was made under."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._reactions = Reactions()
        self._last: Picture | None = None
        self._end_ns = self._lift_ns = 0
        self._readings = 0
        self._counts = dict.fromkeys(("pictures", "acknowledge", "cribbed", "note", "faults", "out", "retries"), 0)
        self._spans = dict.fromkeys(("blind", "over", "uncaptured", "not_ok", "ordered"), 0)
        self._blind_ns = dict.fromkeys(Priority, 0)
        self._zeros: list[int] = []
        self._open: int | None = None
        self._steps = [_Step() for _ in rig.step]
        self._begun: tuple[int, int] | None = None
        self._entered: set[int] = set()
        self._in: _Step | None = None
        self._lowering, self._raising_ns = False, 0
        names = ("rise", "up", "down", "tilt", "lean", "gap", "capture", "fall", "raising")
        self._peaks: dict[str, Peak] = {name: Peak() for name in names}
        self._gaps = {shore.name: Peak() for shore in rig.shore}
        self._over_ns = {shore.name: 0 for shore in rig.shore}
        self._carried = {shore.name: Peak() for shore in rig.shore}
        self._stacks = {stack.name: tuple(Peak() for _ in range(4)) for stack in rig.stack}
        self._bags = {bag.name: (Peak(), Peak()) for stack in rig.stack for bag in stack.bag}
        self._not_ok_ns = {channel.name: 0 for channel in rig.channel}
        self._most: tuple[float, dict[str, float]] | None = None
        self._balance: dict[str, float | None] = dict.fromkeys(("weight_n", "tip_rad", "tip_least_rad"))

    def entry(self, entry: Entry) -> None:
        """Take an input, before the picture that comes of it."""
        if entry.time_ns > self._end_ns:
            self._end_ns = entry.time_ns
        if isinstance(entry, Reading):
            self._readings += 1
        elif isinstance(entry, Action):
            if entry.do == "stop":
                self._reactions.stop(entry.time_ns)
            elif entry.do == "clear-stop":
                self._reactions.clear_stop(entry.time_ns)
            elif entry.do in self._counts:
                self._counts[entry.do] += 1

    def picture(self, picture: Picture) -> None:
        """Take the next picture."""
        since_ns = 0 if self._last is None else picture.time_ns - self._last.time_ns
        self._counts["pictures"] += 1
        if since_ns > _BLIND_NS:
            self._spans["blind"] += since_ns
            since_ns = 0
        self._take_zero(picture)
        self._take_step(picture, since_ns)
        for it in picture.transitions:
            if self._reactions.take(it):
                self._rose(it.alarm.rule, it.alarm.priority)
        if picture.zero.taken_ns is not None:
            self._lift_ns += since_ns
            self._take_load(picture, since_ns)
            self._take_sensors(picture, since_ns)
        self._last = picture

    def _rose(self, rule: str, priority: Priority) -> None:
        self._counts["faults"] += rule in _OUT_OF_TURN
        self._counts["out"] += rule == "out-of-step"
        if self._in is not None:
            self._in.alarms += 1
            self._in.dangers += priority is Priority.DANGER

    def _take_zero(self, picture: Picture) -> None:
        taken_ns = picture.zero.taken_ns
        if taken_ns is not None and (not self._zeros or self._zeros[-1] != taken_ns):
            if self._open is None:
                self._open = sum(not it.ticked for it in picture.checklist)
            self._zeros.append(taken_ns)
            self._entered.clear()
            self._lowering = False

    def _take_step(self, picture: Picture, since_ns: int) -> None:
        now = picture.step
        if now is None or picture.zero.taken_ns is None:
            self._in, self._begun = None, None
            return
        self._lowering = _LOWERS.get(picture.steps[now.number - 1].do, self._lowering)
        self._in = self._steps[now.number - 1]
        begun = now.number, picture.steps[now.number - 1].started_ns or 0
        if begun != self._begun:
            self._begun = begun
            self._in.tries += 1
            self._counts["retries"] += now.number in self._entered
            self._entered.add(now.number)
        else:
            self._in.spent_ns += since_ns

    def _take_load(self, picture: Picture, since_ns: int) -> None:
        peaks, load = self._peaks, picture.load
        peaks["rise"].take(load.rise_m, since_ns)
        if load.rate_m_s is not None:
            peaks["up"].take(max(0.0, load.rate_m_s), since_ns)
            peaks["down"].take(max(0.0, -load.rate_m_s), since_ns)
        if load.tilt_x_rad is not None and load.tilt_y_rad is not None:
            peaks["tilt"].take(hypot(load.tilt_x_rad, load.tilt_y_rad), since_ns)
        gap, gap_ns = self._take_shores(picture, since_ns)
        lean, lean_ns = self._take_stacks(picture, since_ns)
        peaks["capture"].take(picture.uncaptured_m, since_ns)
        peaks["fall"].take(picture.fall_m, since_ns)
        if not self._lowering:
            self._raising_ns += since_ns
            peaks["raising"].take(picture.fall_m, since_ns)
        if picture.uncaptured_m is not None and picture.uncaptured_m > self._rig.limits.capture_every:
            self._spans["uncaptured"] += since_ns
        for name in self._balance:  # the last that was known: it is the surest
            value = getattr(picture.balance, name)
            self._balance[name] = self._balance[name] if value is None else value
        if (step := self._in) is not None:
            step.rise_m = load.rise_m
            step.gap.take(gap, gap_ns)
            step.capture.take(picture.uncaptured_m, since_ns)
            step.fall.take(picture.fall_m, since_ns)
            step.lean.take(lean, lean_ns)

    def _take_shores(self, picture: Picture, since_ns: int) -> tuple[float | None, int]:
        """The greatest gap of those that are known now, and for how long all were known."""
        gaps, over = [], False
        for shore in picture.shores:
            if shore.gap_m is not None:
                gaps.append(shore.gap_m)
                if shore.gap_m > shore.gap_allowed_m:
                    self._over_ns[shore.name] += since_ns
                    over = True
            self._gaps[shore.name].take(shore.gap_m, since_ns)
            self._carried[shore.name].take(shore.load_most_n, since_ns)
        self._spans["over"] += since_ns * over
        whole_ns = since_ns * (bool(gaps) and len(gaps) == len(picture.shores))
        greatest = max(gaps, default=None)
        self._peaks["gap"].take(greatest, whole_ns)
        return greatest, whole_ns

    def _take_stacks(self, picture: Picture, since_ns: int) -> tuple[float | None, int]:
        """The greatest share of a ring that a lean takes up now, of those that are known, and for how long all were."""
        leans, forces = [], {}
        ordered = True
        for stack in picture.stacks:
            rise, lean, slip, force = self._stacks[stack.name]
            rise.take(stack.rise_m, since_ns)
            lean.take(stack.lean_use, since_ns)
            slip.take(stack.slip_m, since_ns)
            force.take(stack.force_n, since_ns)
            if stack.lean_use is not None:
                leans.append(stack.lean_use)
            if stack.force_n is not None:
                forces[stack.name] = stack.force_n
            for bag in stack.bags:
                pressure, use = self._bags[bag.name]
                pressure.take(bag.pressure_pa, since_ns)
                use.take(bag.use, since_ns)
                ordered &= bag.doing != "unknown"
        self._spans["ordered"] += since_ns * ordered
        if len(forces) == len(picture.stacks):
            together = sum(forces.values())
            if self._most is None or together > self._most[0]:
                self._most = together, forces
        whole_ns = since_ns * (len(leans) == len(picture.stacks))
        greatest = max(leans, default=None)
        self._peaks["lean"].take(greatest, whole_ns)
        return greatest, whole_ns

    def _take_sensors(self, picture: Picture, since_ns: int) -> None:
        unwell = [it.name for it in picture.sensors if it.status is not SensorStatus.OK]
        for name in unwell:
            self._not_ok_ns[name] += since_ns
        self._spans["not_ok"] += since_ns * bool(unwell)
        if picture.blind:
            blind = {it.rule for it in picture.blind}
            for priority, names in _SAYS.items():
                self._blind_ns[priority] += since_ns * (not blind.isdisjoint(names))

    def done(
        self, *, complete: bool | None = None, same_as_live: bool | None = None, lost: int | None = None
    ) -> Figures:
        """The figures; call it once. The recording itself says whether it is `complete` and `same_as_live`, and how many entries
        were `lost`; None where nobody asked."""
        end_ns = self._last.time_ns if self._last is not None else 0
        self._reactions.end(end_ns)
        made = Record(self._lift_ns, zeroed=bool(self._zeros))
        self._whole(made, complete, same_as_live, lost)
        self._each_step(made)
        self._each_thing(made)
        self._each_alarm(made)
        words = {("step", str(it.number)): _words(it) for it in (self._last.steps if self._last else ())}
        return made.figures(words)

    def _whole(self, made: Record, complete: bool | None, same: bool | None, lost: int | None) -> None:
        counts, spans, peaks = self._counts, self._spans, self._peaks
        made.put("recording.length_s", _s(self._end_ns))
        made.put("recording.readings", self._readings)
        made.put("recording.pictures", counts["pictures"])
        made.put("recording.complete", complete, because="nobody asked")
        made.put("recording.same_as_live", same, because="nobody asked, or judged under other limits")
        made.put("recording.lost", lost, because="nobody asked")
        made.put("recording.blind_s", _s(spans["blind"]))
        made.put("checklist.open", self._open, because=NO_ZERO)
        made.put("zero.taken_s", _s(self._zeros[-1]) if self._zeros else None, because=NO_ZERO)
        made.put("zero.times", len(self._zeros))
        self._plan(made)
        planned, ordered = bool(self._rig.step), spans["ordered"]
        made.span("order.faults", counts["faults"], ordered, there=planned, nothing=_NO_PLAN)
        made.span("order.out_of_step", counts["out"], ordered, there=planned, nothing=_NO_PLAN)
        for name, peak in (
            ("rise.greatest_m", "rise"),
            ("rise.fastest_m_s", "up"),
            ("rise.fastest_down_m_s", "down"),
            ("tilt.greatest_rad", "tilt"),
            ("lean.greatest_use", "lean"),
        ):
            made.peak(name, peaks[peak])
        shores = bool(self._rig.shore)
        made.peak("gap.greatest_m", peaks["gap"], there=shores, nothing="no shore")
        made.span("gap.over_s", _s(spans["over"]), peaks["gap"].known_ns, there=shores, nothing="no shore")
        made.peak("capture.risen_m", peaks["capture"])
        made.span("capture.over_s", _s(spans["uncaptured"]), peaks["capture"].known_ns)
        made.peak("fall.greatest_m", peaks["fall"])
        made.peak("fall.raising_m", peaks["raising"], over_ns=self._raising_ns)
        for name, value in self._balance.items():
            made.put(f"load.{name}", value)
        made.put("load.bags_most_n", self._most[0] if self._most else None)
        for word in PRIORITIES:
            self._priority(made, word)
        self._stop(made)
        made.put("people.acknowledged", counts["acknowledge"])
        made.put("people.cribbed", counts["cribbed"])
        made.put("people.notes", counts["note"])
        not_ok = self._not_ok_ns.values()
        made.span("sensors.not_ok_s", _s(spans["not_ok"]), self._lift_ns)
        made.span("sensors.worst_s", _s(max(not_ok, default=0)), self._lift_ns)
        made.span("sensors.bad", sum(ns > 0 for ns in not_ok), self._lift_ns)

    def _plan(self, made: Record) -> None:
        steps = self._last.steps if self._last is not None else ()
        planned = len(self._rig.step)
        there, because = bool(planned), "the plan was not gone through to its end"
        made.put("plan.steps", planned)
        for name, count in (
            ("plan.ended", sum(it.ended_ns is not None for it in steps)),
            ("plan.as_planned", sum(it.ok is True for it in steps)),
            ("plan.early", sum(it.ok is False for it in steps)),
            ("plan.retries", self._counts["retries"]),
        ):
            made.put(name, count if there else None, because=_NO_PLAN, nothing=not there)
        abandoned = self._last.abandoned if self._last is not None else False
        made.put("plan.abandoned", abandoned if there else None, because=_NO_PLAN, nothing=not there)
        last_ns = steps[-1].ended_ns if steps else None
        took = None if last_ns is None or not self._zeros or abandoned else _s(last_ns - self._zeros[-1])
        made.put("plan.took_s", took, because=because if there else _NO_PLAN, nothing=not there)

    def _priority(self, made: Record, word: str) -> None:
        priority = Priority[word.upper()]
        its = [it for (of, rule, _), it in self._reactions.alarms.items() if of is priority and rule != STOP]
        count, unseen = sum(it.count for it in its), sum(it.unseen for it in its)
        seen, longest = _longest(it.seen_ns for it in its), _longest(it.longest_ns for it in its)
        none = f"no {word} rose" if not count else f"no {word} waited for anybody"
        watched = 1.0 - self._blind_ns[priority] / self._lift_ns if self._lift_ns else 0.0
        made.put(f"{word}.count", count, known=watched)
        made.put(
            f"{word}.seen_s",
            None if unseen else _s(seen),
            because=f"{unseen} never acknowledged" if unseen else none,
            nothing=not unseen,
        )
        made.put(f"{word}.unseen", unseen)
        made.put(f"{word}.longest_s", _s(longest), because=none, nothing=True)
        made.put(f"{word}.standing", sum(it.standing for it in its))
        made.put(f"{word}.time_s", _s(self._reactions.time_ns[priority]))

    def _stop(self, made: Record) -> None:
        it = self._reactions
        made.put("stop.calls", it.stops)
        made.put("stop.stood_s", _s(it.stood_ns))
        made.put(
            "stop.after_danger_s",
            None if it.missed else _s(it.after_danger_ns),
            because=f"{it.missed} without a STOP" if it.missed else "no danger rose",
            nothing=not it.missed,
        )
        made.put("stop.missed", it.missed)

    def _each_step(self, made: Record) -> None:
        for it, run in zip(self._last.steps if self._last else (), self._steps, strict=False):
            about = str(it.number)
            never = "never begun" if it.started_ns is None else "not ended"
            unknown = never if it.started_ns is None else UNKNOWN
            ended = None if it.started_ns is None else it.ended_ns
            took = None if it.started_ns is None or ended is None else _s(ended - it.started_ns)
            made.put("step.started_s", _s(it.started_ns), about, because="never begun")
            made.put("step.ended_s", _s(ended), about, because=never)
            made.put("step.took_s", took, about, because=never)
            made.put("step.spent_s", _s(run.spent_ns), about)
            made.put("step.tries", run.tries, about)
            made.put("step.as_planned", None if ended is None else it.ok, about, because=never)
            made.put("step.rise_m", run.rise_m, about, because=unknown)
            for name, peak in (
                ("gap_m", run.gap), ("capture_m", run.capture), ("fall_m", run.fall), ("lean_use", run.lean),
            ):  # fmt: skip
                made.peak(f"step.{name}", peak, about, over_ns=run.spent_ns, because=unknown)
            made.put("step.dangers", run.dangers, about)
            made.put("step.alarms", run.alarms, about)

    def _each_thing(self, made: Record) -> None:
        for name, gap in self._gaps.items():
            made.peak("shore.gap_m", gap, name)
            made.span("shore.over_s", _s(self._over_ns[name]), gap.known_ns, name)
            made.peak("shore.load_most_n", self._carried[name], name)
        for name, peaks in self._stacks.items():
            for figure, peak in zip(("rise_m", "lean_use", "slip_m", "force_n"), peaks, strict=True):
                made.peak(f"stack.{figure}", peak, name)
            share = None if self._most is None or self._most[0] <= 0.0 else self._most[1][name] / self._most[0]
            made.put("stack.share", share, name)
        for name, (pressure, use) in self._bags.items():
            made.peak("bag.pressure_pa", pressure, name)
            made.peak("bag.use", use, name)
        for name, not_ok_ns in self._not_ok_ns.items():
            made.span("channel.not_ok_s", _s(not_ok_ns), self._lift_ns, name)

    def _each_alarm(self, made: Record) -> None:
        for (priority, rule, place), it in self._reactions.alarms.items():
            if it.count:
                _alarm(made, f"{priority.word} {rule} {place}", it)


def _alarm(made: Record, about: str, it: Reaction) -> None:
    made.put("alarm.count", it.count, about)
    made.put("alarm.first_s", _s(it.first_ns), about)
    made.put(
        "alarm.seen_s",
        None if it.unseen else _s(it.seen_ns),
        about,
        because=f"{it.unseen} never acknowledged" if it.unseen else "it waited for nobody",
        nothing=not it.unseen,
    )
    made.put("alarm.unseen", it.unseen, about)
    made.put("alarm.longest_s", _s(it.longest_ns), about)
    made.put("alarm.standing", it.standing, about)


def _words(step: StepPicture) -> str:
    return f"{step.do} {step.bag or ''}".rstrip() + f": {step.stop}"


def _s(time_ns: int | None) -> float | None:
    """Seconds of nanoseconds, to a tenth of a millisecond, as verdicts give them."""
    return None if time_ns is None else round(time_ns * 1e-9, 4)


def _longest(spans: Iterable[int | None]) -> int | None:
    return max((ns for ns in spans if ns is not None), default=None)
