"""What a person may tell the engine, verb by verb, and what it answers. A refusal says why; nothing is ever ignored."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from monitor import quantities
from monitor.engine.picture import Answer, Priority
from monitor.engine.shores import Crib
from replay.entries import Action

if TYPE_CHECKING:
    from monitor.engine.engine import Engine

SHELVE_S = 60.0
"""How long a shelved alarm stays shelved where the action does not say."""
SHELVE_AT_MOST_S = 600.0
"""No alarm is set aside for longer (common practice, no source)."""
_SPEAKS = "it speaks for others that are silent meanwhile"


class Refused(Exception):
    """What a person asked for cannot be done; the text says why."""


class Orders:
    """Takes actions. `answer` is what was said to the last one."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self.answer: Answer | None = None
        self._verbs: dict[str, Callable[[Action], str]] = {
            "zero": self._zero,
            "next": self._next,
            "back": self._back,
            "abandon": self._abandon,
            "cribbed": self._cribbed,
            "acknowledge": self._acknowledge,
            "reset": self._reset,
            "shelve": self._shelve,
            "out-of-service": self._take_out,
            "in-service": self._put_back,
            "release": self._release,
            "isolate": self._isolate,
            "tick": self._tick,
            "note": self._note,
            "stop": self._stop,
            "clear-stop": self._clear_stop,
        }

    def take(self, action: Action) -> None:
        """Do it, or refuse it with the reason."""
        verb = self._verbs.get(action.do)
        try:
            if verb is None:
                raise Refused(f"no action '{action.do}': one of {', '.join(self._verbs)}")
            self.answer = Answer(action.time_ns, action.do, True, verb(action))
        except Refused as refused:
            self.answer = Answer(action.time_ns, action.do, False, str(refused))

    def _zero(self, action: Action) -> str:
        why_not = self._engine.why_not_zero(action.time_ns, bool(action.details.get("live_only")))
        if why_not:
            raise Refused(f"no zero: {why_not}")
        plan = self._engine.sequence
        given_up, begun = plan.abandoned, any(step.started_ns is not None for step in plan.pictures())
        self._engine.zero(action.time_ns)
        if given_up:
            return "zero taken: the plan that was given up is taken up again, from step 1"
        return "zero taken: the plan begins again, at step 1" if begun else "zero taken"

    def _next(self, action: Action) -> str:
        done = self._engine.sequence.forward(action.time_ns)
        if not done:
            raise Refused("no step to end: " + self._no_step())
        return done

    def _back(self, action: Action) -> str:
        done = self._engine.sequence.backward(action.time_ns)
        if not done:
            raise Refused("no step before this one" if self._engine.zero_ns is not None else self._no_step())
        return done

    def _abandon(self, action: Action) -> str:
        done = self._engine.sequence.abandon(action.time_ns)
        if not done:
            raise Refused("no plan to abandon: " + self._no_step())
        return done

    def _no_step(self) -> str:
        if not self._engine.rig.step:
            return "the rig file holds no plan"
        if self._engine.sequence.abandoned:
            return "the plan is abandoned, back takes it up again"
        return "take the zero first" if self._engine.zero_ns is None else "the plan is at its end"

    def _cribbed(self, action: Action) -> str:
        engine = self._engine
        pose = engine.pose.estimate(action.time_ns)
        if pose is None:
            raise Refused("rise not known: take the zero, and mend the height sensors")
        rig = engine.rig
        places = (
            {s.name: s.at for s in rig.stack} | {s.name: s.at for s in rig.shore} | {c.name: c.at for c in rig.crib}
        )
        place = action.details.get("at")
        if place is not None and place not in places:
            raise Refused(f"no place '{place}': one of {', '.join(places)}")
        at = places[str(place)] if place is not None else max(engine.pose.heads, key=lambda head: pose.rise(*head))
        height = action.details.get("height_m")
        there, top = pose.rise(*at), max(pose.rise(*head) for head in engine.pose.heads)
        packed = there if height is None else _number(height)
        if packed < 0.0 and height is not None:
            raise Refused(f"height_m: found {height}, allowed is zero or more, from where the load lay at the zero")
        engine.cribs = [crib for crib in engine.cribs if crib.at != at] + [Crib(at, packed)]
        engine.cribbed_ns = action.time_ns
        engine.captured_m = top if packed >= there or there <= 0.0 else top * packed / there
        return f"cribbing packed at {quantities.length(packed, engine.rig.rig.units)}"

    def _acknowledge(self, action: Action) -> str:
        rule, about = _word(action, "rule"), action.details.get("about")
        if not self._engine.watch.book.acknowledge(rule, _text(about), action.time_ns):
            raise Refused(f"no alarm '{rule}{'' if about is None else f' {about}'}' waits to be acknowledged")
        return f"{rule} acknowledged"

    def _reset(self, action: Action) -> str:
        rule, about = _word(action, "rule"), action.details.get("about")
        if not self._engine.watch.book.reset(rule, _text(about), action.time_ns):
            where = "" if about is None else f" {about}"
            raise Refused(f"no alarm '{rule}{where}' to reset: latched ones are, once cleared and acknowledged")
        return f"{rule} reset"

    def _shelve(self, action: Action) -> str:
        rule, about = _word(action, "rule"), action.details.get("about")
        seconds = _number(action.details.get("for_s", SHELVE_S))
        if not 0.0 < seconds <= SHELVE_AT_MOST_S:
            raise Refused(f"shelved for {seconds:.0f} s: above 0 s and at most {SHELVE_AT_MOST_S:.0f} s is allowed")
        until_ns = action.time_ns + round(seconds * 1e9)
        if not self._engine.watch.book.shelve(rule, _text(about), action.time_ns, until_ns):
            danger = any(r.name == rule and r.priority is Priority.DANGER for r in self._engine.watch.rules)
            root = any(r.name == rule and r.root_of for r in self._engine.watch.rules)
            never = ", a danger never is" if danger else f", {_SPEAKS}" if root else ""
            raise Refused(f"{rule}: nothing to shelve{never}")
        return f"{rule} shelved for {seconds:.0f} s"

    def _take_out(self, action: Action) -> str:
        rule, about = self._rule_at(action)
        if any(row.name == rule and row.priority is Priority.DANGER for row in self._engine.watch.rules):
            raise Refused(f"{rule} is a danger and stays in service: what blinds it is shown as unknown instead")
        if any(row.name == rule and row.root_of for row in self._engine.watch.rules):
            raise Refused(f"{rule} stays in service: {_SPEAKS}")
        if not self._engine.watch.book.take_out(rule, about, action.time_ns):
            raise Refused(f"{rule} {about} is out of service already")
        return f"{rule} {about} out of service"

    def _put_back(self, action: Action) -> str:
        rule, about = self._rule_at(action)
        if not self._engine.watch.book.put_back(rule, about, action.time_ns):
            raise Refused(f"{rule} {about} is not out of service")
        return f"{rule} {about} in service again"

    def _rule_at(self, action: Action) -> tuple[str, str]:
        """The rule and the place that an action names. Raises Refused where there is no such rule there."""
        rule, about = _word(action, "rule"), _word(action, "about")
        names = dict.fromkeys(row.name for row in self._engine.watch.rules)
        if rule not in names:
            raise Refused(f"no rule '{rule}': one of {', '.join(names)}")
        places = self._engine.watch.places(rule)
        if about not in places:
            raise Refused(f"{rule} does not watch '{about}': one of {', '.join(places) or 'nothing here'}")
        return rule, about

    def _release(self, action: Action) -> str:
        name = _word(action, "shore")
        shore = next((s for s in self._engine.shores if s.shore.name == name), None)
        if shore is None:
            raise Refused(f"no shore '{name}': one of {', '.join(s.shore.name for s in self._engine.shores)}")
        shore.released = not shore.released
        return f"{name} {'released' if shore.released else 'locked again'}"

    def _isolate(self, action: Action) -> str:
        name = _word(action, "bag")
        for stack in self._engine.stacks:
            if any(bag.name == name for bag in stack.stack.bag):
                stack.isolated ^= {name}
                return f"{name} {'isolated' if name in stack.isolated else 'connected again'}"
        bags = [bag.name for stack in self._engine.rig.stack for bag in stack.bag]
        raise Refused(f"no bag '{name}': one of {', '.join(bags)}")

    def _tick(self, action: Action) -> str:
        ticking = self._engine.ticking
        words = _word(action, "item")
        index = ticking.find(words)
        if index is None:
            raise Refused(f"'{words}' is no one item: one of {ticking.listed()}")
        it = ticking.turn(index, action.by, action.time_ns)
        return f"{'ticked' if it.ticked else 'open again'}: {it.item}"

    def _note(self, action: Action) -> str:
        return f"noted: {_word(action, 'text')}"

    def _stop(self, action: Action) -> str:
        reason = _text(action.details.get("reason"))
        self._engine.stop_called = action.by + (f": {reason}" if reason else "")
        return "STOP called"

    def _clear_stop(self, action: Action) -> str:
        if self._engine.stop_called is None:
            raise Refused("no STOP stands")
        self._engine.stop_called = None
        return "STOP cleared"


def _word(action: Action, key: str) -> str:
    value = _text(action.details.get(key))
    if not value:
        raise Refused(f"'{action.do}' needs '{key}'")
    return value


def _text(value: object) -> str | None:
    return None if value is None else str(value)


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise Refused(f"found {value!r}: a number is needed")
    return float(value)
