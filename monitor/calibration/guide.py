"""Leads through one calibration: who, how sure the reference is, point after point, the fit, and whether it is to be kept.

It holds no clock, terminal or file: it is handed readings, the time and what a person says, and tells what it has to say.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from math import sqrt

from drivers.config import Channel
from drivers.reading import Reading
from drivers.units import EXAMPLES, UnitError, allowed, to_si
from monitor import quantities as show
from monitor.calibration.words import fit_in_words, precise
from monitor.engine.channels import ZERO_WINDOW_NS, ChannelState
from monitor.rig.calibrated import disorder
from monitor.rig.curve import Curve
from monitor.rig.measure import difference

_LIVE_NS = 1_000_000_000
_LONGEST_NAME = 60

Figures = dict[str, object]
Tell = Callable[[str, str, Figures], None]
"""Called with the kind of what is said, one sentence, and its figures in SI."""


class Stage(StrEnum):
    """What is asked for now."""

    WHO = "who"
    REFERENCE = "reference"
    POINTS = "points"
    CONFIRM = "confirm"
    WRITE = "write"
    ENDED = "ended"


MAY: dict[Stage, tuple[str, ...]] = {
    Stage.WHO: ("who", "quit"),
    Stage.REFERENCE: ("reference", "quit"),
    Stage.POINTS: ("point", "back", "done", "quit"),
    Stage.CONFIRM: ("write", "back", "quit"),
}
"""What may be said at each stage."""


@dataclass(frozen=True, slots=True)
class Point:
    """The mean reading (SI) over two seconds, one standard deviation of a reading, how many; the true value, and as it was said."""

    read: float
    sd: float
    count: int
    true: float
    said: str

    @property
    def mean_sd(self) -> float:
        """One standard deviation of the mean."""
        return self.sd / sqrt(self.count)


class Guide:
    """One calibration of one channel. `stage` is what is asked for; at WRITE it is finished, and to be kept."""

    def __init__(
        self, channel: Channel, units: str, tell: Tell, who: str | None = None, reference: str | None = None
    ) -> None:
        self.channel, self.points = channel, list[Point]()
        self.who, self.reference = "", ""
        self._units, self._tell = units, tell
        self._state = ChannelState(channel.model_copy(update={"range": None}))  # the range is one of true values
        self._now_ns = 0
        self._wanted: tuple[float, str] | None = None
        self._wanted_ns = self._told_ns = -_LIVE_NS
        self._told = ""
        self.stage = Stage.WHO
        if who is not None:
            self._take_who(who.strip())
        if reference is not None and self.stage is Stage.REFERENCE:
            self._take_reference(reference.strip())

    @property
    def sorted_points(self) -> list[Point]:
        """The points in the order of their readings."""
        return sorted(self.points, key=lambda it: it.read)

    @property
    def spread(self) -> float:
        """The worst mean's standard deviation (SI)."""
        return max((it.mean_sd for it in self.points), default=0.0)

    def curve(self) -> Curve:
        """What the points make; at least two are needed."""
        doubt = sqrt(difference(self.reference).si ** 2 + self.spread**2)
        return Curve([(it.read, it.true) for it in self.sorted_points], doubt)

    def ask(self) -> None:
        """Say what is asked for now."""
        like = EXAMPLES[self.channel.quantity]
        asked = {
            Stage.WHO: "who calibrates?",
            Stage.REFERENCE: f"one standard deviation of the reference, with its unit, such as '{self._small()}'?",
            Stage.POINTS: f"true value with its unit, such as '{like}', once {self.channel.name} rests",
            Stage.CONFIRM: "keep it?",
        }
        if self.stage in asked:
            self._tell("ask", asked[self.stage], {"stage": self.stage.value, "may": list(MAY[self.stage])})

    def _small(self) -> str:
        us = {"pressure": "0.03 psi", "length": "0.02 in", "force": "5 lbf"} if self._units == "us" else {}
        return ({"pressure": "2 mbar", "length": "0.5 mm", "angle": "0.05 deg", "force": "20 N", "temperature": "0.1 K",
                 "current": "0.01 mA", "voltage": "1 mV"} | us)[self.channel.quantity]  # fmt: skip

    def say(self, deed: str, text: str = "") -> None:
        """Take what a person says. What cannot be is answered by one sentence, and nothing has changed."""
        may = MAY.get(self.stage, ())
        if deed not in may:
            self._refuse(f"found '{deed}', allowed now is one of {', '.join(may)}")
            return
        before = self.stage
        if deed == "quit":
            self.stage = Stage.ENDED
        elif deed == "who":
            self._take_who(text.strip())
        elif deed == "reference":
            self._take_reference(text.strip())
        elif deed == "point":
            self._begin_point(text.strip())
        elif deed == "back":
            self._back()
        elif deed == "done":
            self._done()
        else:
            self.stage = Stage.WRITE
        if self.stage is not before:
            self.ask()

    def _take_who(self, name: str) -> None:
        if not name.isprintable() or not 0 < len(name) <= _LONGEST_NAME:
            self._refuse(f"found '{name[:20]}', allowed is a name of 1 to {_LONGEST_NAME} signs")
            return
        self.who, self.stage = name, Stage.REFERENCE

    def _take_reference(self, text: str) -> None:
        like = f"at least 0 with a unit of {self.channel.quantity}, such as '{self._small()}'"
        try:
            quantity = difference(text).quantity
        except UnitError:
            quantity = None
        if quantity != self.channel.quantity:
            self._refuse(f"found '{text[:40]}', allowed is {like}")
            return
        self.reference, self.stage = text, Stage.POINTS

    def _begin_point(self, text: str) -> None:
        quantity = self.channel.quantity
        try:
            true = to_si(quantity, text)
        except UnitError:
            like = allowed(quantity).removesuffix(", or a bare number in SI")
            self._refuse(f"found '{text[:40]}', allowed is {like}")
            return
        if self._wanted is not None:
            self._refuse(f"the mean for {self._wanted[1]} is still being taken")
        elif why_not := self._state.why_not_zero(self._now_ns):
            self._refuse(f"not taken: {why_not}; say the true value again once it rests")
        else:
            self._wanted, self._wanted_ns = (true, text), self._now_ns
            self._tell("taking", f"taking the mean of {ZERO_WINDOW_NS * 1e-9:g} s for {text}", {"true": true})

    def reading(self, it: Reading) -> None:
        """Take one reading as it came in, corrected by nothing."""
        if it.channel == self.channel.name:
            self._state.take(it)

    def time(self, now_ns: int) -> None:
        """Let time go on: a point is finished, and the live value is told once a second where it has changed."""
        self._now_ns = now_ns
        if self._wanted is not None and now_ns - self._wanted_ns >= ZERO_WINDOW_NS:
            self._finish_point(*self._wanted)
        if self.stage is Stage.POINTS and now_ns - self._told_ns >= _LIVE_NS:
            self._told_ns = now_ns
            self._tell_live(now_ns)

    def _tell_live(self, now_ns: int) -> None:
        why_not = self._state.why_not_zero(now_ns)
        last = self._state.last
        seen = "nothing heard" if last is None else precise(last.value, self.channel.quantity, self._units)
        text = f"{seen}, {'rests' if not why_not else why_not.removeprefix(self.channel.name).strip()}"
        if text != self._told:
            self._told = text
            self._tell("live", text, {"value": None if last is None else last.value, "rests": not why_not})

    def _finish_point(self, true: float, said: str) -> None:
        self._wanted = None
        if why_not := self._state.why_not_zero(self._now_ns):
            self._refuse(f"not taken: {why_not}; say the true value again once it rests")
            return
        self._state.take_zero()
        base = self._state.baseline
        assert base is not None, "a zero was just taken"
        self._state.baseline = None
        point = Point(base.mean, base.sd, base.count, true, said)
        points = sorted([(it.read, it.true) for it in [*self.points, point]])
        for _, found, right in disorder((), points):
            self._refuse(f"not taken: with it the points have {found}; allowed is {right}")
            return
        self.points.append(point)
        read, quantity = precise(point.read, self.channel.quantity, self._units), self.channel.quantity
        spread = show.small(point.sd, quantity, self._units)
        said_so = f"point {len(self.points)}: {said} reads {read}, spread {spread} over {point.count} readings"
        self._tell("point", said_so, {"read": point.read, "sd": point.sd, "count": point.count, "true": true})
        if len(self.points) > 1:
            self._tell_fit()

    def _tell_fit(self) -> None:
        curve = self.curve()
        figures: Figures = {
            "gain": curve.gain,
            "offset": curve.line.at(0.0),
            "residuals": curve.residuals,
            "straight": not curve.bent,
            "sd": max(curve.sd(x) for x in curve.reads),
        }
        self._tell("fit", fit_in_words(curve, self.channel.quantity, self._units), figures)

    def _back(self) -> None:
        if self.stage is Stage.CONFIRM:
            self.stage = Stage.POINTS
        elif self._wanted is not None:
            self._wanted = None
            self._tell("back", "that point is not taken", {"points": len(self.points)})
        elif not self.points:
            self._refuse("no point is there to take back")
        else:
            gone = self.points.pop()
            self._tell("back", f"taken back: {gone.said}", {"points": len(self.points)})

    def _done(self) -> None:
        if self._wanted is not None:
            self._refuse(f"the mean for {self._wanted[1]} is still being taken")
        elif len(self.points) < 2:
            self._refuse(f"found {len(self.points)} of the two points that a calibration needs at least")
        else:
            self._tell_fit()
            self.stage = Stage.CONFIRM

    def _refuse(self, text: str) -> None:
        self._tell("refused", text, {})
