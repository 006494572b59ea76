"""The rules the monitor watches: one row a rule and priority, the gravest root cause first.

Set and clear limits are shares of the limit that the condition measures against; a state is taken once it has held for
the row's delay. A new rule is a condition, a row here, its words in guidance.py and its cause in CAUSES.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from monitor.engine import ahead, crew, going, instrument, lowering, resting, turning
from monitor.engine import conditions as see
from monitor.engine.conditions import Outcome, Scene
from monitor.engine.guidance import GUIDANCE
from monitor.engine.picture import Priority
from monitor.engine.wording import fitted, told

Subjects = Callable[[Scene], tuple[str, ...]]

AGAIN_S = 60.0
"""A danger that was acknowledged and still stands is forgotten no longer than this (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One row. `about` lists what it watches, `look` says how far each is gone, `do` is the action in the imperative.

    Set above `set_at` for `on_s` seconds, cleared at or below `clear_at` for `off_s`. `latch`: once cleared and
    acknowledged it stays until it is reset, because what happened matters after it is over. `again_s`: so long after it was
    acknowledged it asks again, if it still stands (None: a danger after AGAIN_S, nothing else ever). `group` names the
    cause that it shares with others ("": what CAUSES says), `root_of` the group of which it is the root besides its own.
    `again_past`: acknowledged below this share it asks again past it: another thing is wrong by then (None: never).
    `told`: what it sees is a sentence of another's, whose beginning says most. `odd_only`: it is about channels, and has nothing
    to say of one that is not odd.
    """

    name: str
    priority: Priority
    about: Subjects
    look: Callable[[Scene, str], Outcome]
    do: str
    set_at: float = 1.0
    clear_at: float = 0.9
    on_s: float = 0.3
    off_s: float = 1.0
    latch: bool = False
    again_s: float | None = None
    again_past: float | None = None
    group: str = ""
    root_of: str = ""
    told: bool = False
    odd_only: bool = False

    @property
    def asks_again_s(self) -> float | None:
        """After how long an acknowledged alarm that still stands is unacknowledged again; None: never."""
        return AGAIN_S if self.again_s is None and self.priority is Priority.DANGER else self.again_s

    @property
    def guidance(self) -> str:
        """What it means and what to do, in two or three sentences; "" where nobody wrote any."""
        return GUIDANCE.get(self.name, "")

    @property
    def cause(self) -> str:
        """The group of alarms that come of one cause; a group of its own where nobody names one."""
        return self.group or _CAUSE_OF.get(self.name, self.name)


CAUSES: dict[str, tuple[str, ...]] = {
    "crew": ("stop-called", "bag-order", "bag-early", "not-held", "lower-not-freed", "unticked", "out-of-step"),
    "lean": ("lean", "slip", "lean-ahead"),
    "hinge": ("hinge-shift", "over-centre", "tilt", "cross-tilt", "moved-alone", "uneven"),
    "shores": (
        "shore-drop", "shore-lifting", "shore-air-high", "hung-on-shores", "shore-behind", "uncaptured", "shore-air-low",
    ),
    "air": ("bag-pressure", "rise-rate", "no-lift", "gauge-gone", "sinking", "air-short"),
    "weight": ("overload", "reach", "crib-limit", "ground-limit"),
    "link": ("link-lost",),
    "sensors": ("sensor-lost", "sensor-wire", "sensor-range", "sensor-frozen", "sensor-disagrees", "sensor-noisy"),
    "calibration": ("calibration-old",),
    "monitor": ("recorder", "behind-time", "flood"),
}  # fmt: skip
"""Rules that tend to sound together because one thing is wrong. What is not named here is a group of its own."""
_CAUSE_OF = {name: cause for cause, names in CAUSES.items() for name in names}


def _load(_: Scene) -> tuple[str, ...]:
    return ("load",)


def _crew(_: Scene) -> tuple[str, ...]:
    return ("crew",)


def _monitor(_: Scene) -> tuple[str, ...]:
    return ("monitor",)


def _stacks(scene: Scene) -> tuple[str, ...]:
    return tuple(stack.name for stack in scene.rig.stack)


def _bags(scene: Scene) -> tuple[str, ...]:
    return tuple(bag.name for stack in scene.rig.stack for bag in stack.bag)


def _shores(scene: Scene) -> tuple[str, ...]:
    return tuple(shore.name for shore in scene.rig.shore)


def _cribs(scene: Scene) -> tuple[str, ...]:
    return tuple(crib.name for crib in scene.rig.crib)


def _feet(scene: Scene) -> tuple[str, ...]:
    return _stacks(scene) + _cribs(scene)


def _supplies(_: Scene) -> tuple[str, ...]:
    return ("supply",)


def _ports(scene: Scene) -> tuple[str, ...]:
    return tuple(port.name for port in scene.rig.port)


def _channels(scene: Scene) -> tuple[str, ...]:
    return tuple(channel.name for channel in scene.rig.channel)


def _zeroed_channels(scene: Scene) -> tuple[str, ...]:
    pose = tuple(it.channel for it in scene.rig.height) + tuple(it.channel for it in scene.rig.tilt)
    return pose + tuple(shore.extension for shore in scene.rig.shore)


DANGER, WARNING, CAUTION, NOTICE = Priority.DANGER, Priority.WARNING, Priority.CAUTION, Priority.NOTICE

RULES: tuple[Rule, ...] = (
    Rule("stop-called", DANGER, _crew, instrument.stop_called, "shut all valves", on_s=0.0, off_s=0.0),
    Rule("lean", DANGER, _stacks, see.lean_with_bound, "stop filling, hold", clear_at=0.95, on_s=0.2),
    Rule("slip", DANGER, _stacks, going.slip, "stop filling, hold", clear_at=0.7, on_s=0.1, off_s=2.0, latch=True),
    Rule(
        "hinge-shift",
        DANGER,
        _load,
        going.hinge_shift,
        "stop, look at its edge",
        clear_at=0.7,
        on_s=0.2,
        off_s=2.0,
        latch=True,
    ),
    Rule("over-centre", DANGER, _load, going.over_centre, "stop filling, hold", set_at=0.95, clear_at=0.92, on_s=0.2),
    Rule("tilt", DANGER, _load, turning.tilt_with_bound, "stop filling, hold", clear_at=0.95, on_s=0.2),
    Rule("cross-tilt", DANGER, _load, turning.cross_tilt_with_bound, "stop, level the load", clear_at=0.95, on_s=0.2),
    Rule("bag-pressure", DANGER, _bags, see.bag_pressure, "shut it, vent it", clear_at=0.98, on_s=0.2),
    Rule("bag-order", DANGER, _bags, see.bag_order, "shut it"),
    Rule(
        "shore-behind", DANGER, _shores, see.shore_behind, "stop filling, free it", set_at=2.0, clear_at=1.8, on_s=0.5
    ),
    Rule("uncaptured", DANGER, _load, see.uncaptured, "stop filling, capture", set_at=2.0, clear_at=1.9),
    Rule(
        "shore-drop",
        DANGER,
        _shores,
        lowering.shore_drop,
        "stop, get clear",
        clear_at=0.7,
        on_s=0.4,
        off_s=2.0,
        latch=True,
    ),
    Rule("shore-air-high", DANGER, _load, lowering.shore_air_high, "lower its air", on_s=0.5),
    Rule("shore-lifting", DANGER, _shores, lowering.shore_lifting, "lower its air", off_s=2.0),
    Rule("hung-on-shores", DANGER, _load, lowering.hung_on_shores, "shut, raise a touch", clear_at=0.7, on_s=0.5),
    Rule("not-held", DANGER, _load, lowering.not_held, "get out, capture", on_s=0.2),
    Rule("moved-alone", DANGER, _load, lowering.moved_alone, "clear, find why", on_s=0.8, off_s=2.0, latch=True),
    Rule(
        "shore-air-low",
        WARNING,
        _shores,
        see.shore_air_low,
        "raise its air",
        set_at=0.1,
        clear_at=0.05,
        on_s=1.0,
        off_s=2.0,
    ),
    Rule("shore-behind", WARNING, _shores, see.shore_behind, "stop filling, free it", on_s=1.0),
    Rule("uncaptured", WARNING, _load, see.uncaptured, "stop filling, capture"),
    Rule("over-centre", WARNING, _load, going.over_centre, "go slow, hold it back", set_at=0.8, clear_at=0.77),
    Rule("overload", WARNING, _load, going.overload, "hold, check plan", clear_at=0.97, on_s=1.0, off_s=2.0),
    Rule("lower-not-freed", WARNING, _shores, lowering.lower_not_freed, "shut, raise a touch", on_s=0.8),
    Rule("no-lift", WARNING, _bags, ahead.no_lift, "check coupling", on_s=1.0, off_s=2.0),
    Rule("gauge-gone", WARNING, _bags, crew.gauge_gone, "look, or press i", on_s=2.0, off_s=0.0),
    Rule("sinking", WARNING, _stacks, ahead.sinking, "capture, find the leak", on_s=0.5, off_s=2.0),
    Rule("lean-ahead", WARNING, _stacks, ahead.lean_ahead, "stop, look at the stack", on_s=1.0),
    Rule("uneven", WARNING, _load, ahead.uneven, "level the stacks", on_s=0.5),
    Rule("reach", WARNING, _stacks, ahead.reach, "stop, plan anew", clear_at=0.98, on_s=1.0),
    Rule("air-short", WARNING, _supplies, ahead.air_short, "stop, bring air", clear_at=0.95, on_s=2.0, off_s=2.0),
    Rule("crib-limit", WARNING, _cribs, resting.crib_limit, "hold, add cribbing", clear_at=0.95, on_s=1.0),
    Rule("ground-limit", WARNING, _feet, resting.ground_limit, "spread the load", clear_at=0.95, on_s=1.0),
    Rule("bag-early", WARNING, _bags, see.bag_early, "shut it"),
    Rule("rise-rate", WARNING, _load, see.rise_rate, "throttle the valve", on_s=0.5),
    Rule(
        "link-lost",
        WARNING,
        _ports,
        instrument.link_lost,
        "check cable and power",
        on_s=0.0,
        off_s=0.5,
        root_of="sensors",
        told=True,
    ),
    Rule(
        "recorder",
        WARNING,
        _monitor,
        instrument.recorder,
        "mend it when held",
        on_s=0.0,
        again_past=instrument.SOMETHING_KEPT,
        told=True,
    ),
    Rule("behind-time", WARNING, _monitor, instrument.behind_time, "trust the gauges, hold", on_s=0.0),
    Rule(
        "sensor-lost",
        WARNING,
        _channels,
        instrument.blinding(instrument.silent),
        "hold, mend it",
        odd_only=True,
        on_s=0.0,
        off_s=0.5,
    ),
    Rule(
        "sensor-wire",
        WARNING,
        _channels,
        instrument.blinding(instrument.wire),
        "hold, mend it",
        odd_only=True,
        on_s=0.0,
    ),
    Rule("sensor-range", WARNING, _channels, instrument.blinding(instrument.beyond), "hold, mend it", odd_only=True),
    Rule(
        "sensor-frozen",
        WARNING,
        _channels,
        instrument.blinding(instrument.frozen),
        "hold, mend it",
        odd_only=True,
        on_s=0.0,
    ),
    Rule(
        "sensor-disagrees",
        WARNING,
        _zeroed_channels,
        instrument.blinding(instrument.disagrees),
        "hold, mend it",
        on_s=0.0,
        odd_only=True,
    ),
    Rule("lean", CAUTION, _stacks, see.lean, "fill slower", set_at=0.70, clear_at=0.65),
    Rule("tilt", CAUTION, _load, turning.tilt, "watch it", set_at=0.8, clear_at=0.75),
    Rule("cross-tilt", CAUTION, _load, turning.cross_tilt, "level the load", set_at=0.8, clear_at=0.75),
    Rule("bag-pressure", CAUTION, _bags, see.bag_pressure, "stop filling it", set_at=0.95, clear_at=0.93),
    Rule("out-of-step", CAUTION, _bags, crew.out_of_step, "ask the crew", on_s=2.0),
    Rule("unticked", CAUTION, _crew, crew.unticked, "go through it"),
    Rule(
        "sensor-lost",
        CAUTION,
        _channels,
        instrument.spared(instrument.silent),
        "look at it",
        odd_only=True,
        on_s=0.0,
        off_s=0.5,
    ),
    Rule("sensor-wire", CAUTION, _channels, instrument.spared(instrument.wire), "look at it", odd_only=True, on_s=0.0),
    Rule("sensor-range", CAUTION, _channels, instrument.spared(instrument.beyond), "look at it", odd_only=True),
    Rule(
        "sensor-frozen", CAUTION, _channels, instrument.spared(instrument.frozen), "look at it", odd_only=True, on_s=0.0
    ),
    Rule(
        "sensor-disagrees",
        CAUTION,
        _zeroed_channels,
        instrument.spared(instrument.disagrees),
        "look at it",
        odd_only=True,
        on_s=0.0,
    ),
    Rule("sensor-noisy", CAUTION, _channels, instrument.noisy, "look at it", off_s=3.0, odd_only=True),
    Rule(
        "calibration-old",
        CAUTION,
        _channels,
        instrument.calibration_old,
        "check it, calibrate",
        on_s=0.0,
        odd_only=True,
    ),
    Rule("flood", NOTICE, _monitor, instrument.flood, "take the gravest first", clear_at=0.4, on_s=0.0, off_s=0.0),
)
"""The table. Its order is the order of root causes among alarms of one priority. Rules on the sensors themselves stand
last: what they say depends on which of the others could not be judged."""

WIDTH = 80


def line(rule: Rule, about: str, what: str) -> str:
    """The alarm in one line that fits 80 columns: what, where, how much against what limit, what to do."""
    head = f"{rule.priority.name:<8}{rule.name} "
    tail = f" - {rule.do}"
    return head + (told if rule.told else fitted)(about, what, WIDTH - len(head) - len(tail)) + tail
