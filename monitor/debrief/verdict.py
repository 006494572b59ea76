"""The verdict on one recording: what sounded, how the plan went, the peaks. Made from the pictures of a run."""

from __future__ import annotations

from math import hypot

from monitor import encode
from monitor.encode import Json, seconds
from monitor.engine.picture import Picture, Transition


class Verdict:
    """Gathers a verdict from pictures, one after another."""

    def __init__(self) -> None:
        self.transitions: list[Transition] = []
        self._alarms: dict[tuple[str, str, str, int | None], Json] = {}
        self._last: Picture | None = None
        self._rise: float | None = None
        self._tilt: float | None = None
        self._fall: float | None = None
        self._lean: dict[str, float | None] = {}
        self._gap: dict[str, float | None] = {}
        self._load: dict[str, float | None] = {"weight_n": None, "moment_nm": None, "tip_rad": None}

    def take(self, picture: Picture) -> None:
        """Take the next picture."""
        self._last = picture
        for it in picture.transitions:
            self.transitions.append(it)
            if it.alarm.raised_ns is not None:
                self._log(it)
        load, balance = picture.load, picture.balance
        self._rise = _greatest(self._rise, load.rise_m)
        tilt_x, tilt_y = load.tilt_x_rad, load.tilt_y_rad
        if tilt_x is not None and tilt_y is not None:
            self._tilt = _greatest(self._tilt, hypot(tilt_x, tilt_y))
        self._fall = _greatest(self._fall, picture.fall_m)
        known = self._load  # the last that was: it is the surest
        if balance.weight_n is not None:
            known["weight_n"] = balance.weight_n
        if balance.moment_nm is not None:
            known["moment_nm"] = balance.moment_nm
        if balance.tip_rad is not None:
            known["tip_rad"] = balance.tip_rad
        for stack in picture.stacks:
            _keep_greatest(self._lean, stack.name, stack.lean_use)
        for shore in picture.shores:
            _keep_greatest(self._gap, shore.name, shore.gap_m)

    def _log(self, it: Transition) -> None:
        """One entry a raising, in the order they were raised; what came of it is written into the entry."""
        key = it.alarm.rule, it.alarm.about, it.alarm.priority.word, it.alarm.raised_ns
        entry = encode.alarm(it.alarm)
        if key in self._alarms:
            entry["text"], entry["evidence"] = self._alarms[key]["text"], self._alarms[key]["evidence"]
        self._alarms[key] = entry

    @property
    def alarms(self) -> list[Json]:
        """Every alarm that was raised."""
        return list(self._alarms.values())

    def as_json(self) -> Json:
        """The verdict's own part: alarms, steps, peaks, load."""
        steps = self._last.steps if self._last else ()
        return {
            "alarms": self.alarms,
            "steps": [
                {
                    "step": s.number,
                    "do": s.do,
                    "bag": s.bag,
                    "started": seconds(s.started_ns),
                    "ended": seconds(s.ended_ns),
                    "ok": s.ok,
                }
                for s in steps
                if s.started_ns is not None
            ],
            "peaks": {
                "rise_m": self._rise,
                "tilt_rad": self._tilt,
                "lean": self._lean,
                "gap_m": self._gap,
                "fall_m": self._fall,
            },
            "load": dict(self._load),
        }


def _greatest(so_far: float | None, value: float | None) -> float | None:
    if value is None or (so_far is not None and so_far >= value):
        return so_far
    return value


def _keep_greatest(greatest: dict[str, float | None], name: str, value: float | None) -> None:
    """Keep the greatest under its name, which is there from the first look on, known or not."""
    so_far = greatest.setdefault(name, value)
    if value is not None and (so_far is None or value > so_far):
        greatest[name] = value
