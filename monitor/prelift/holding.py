"""The pressure hold: every bag pressed and shut, and how fast each loses air with nobody touching it.

A bag that carries the load shows no falling pressure, the load sinks instead: so the load must stay where it is, on its bed
or on shores. Pure: pictures in, results out.
"""

from __future__ import annotations

from drivers.units import to_si
from monitor import quantities as show
from monitor.engine.channels import ChannelState
from monitor.engine.leak import LossPicture, PressureLoss
from monitor.engine.picture import Picture, SensorPicture, SensorStatus
from monitor.prelift.results import Outcome, Result
from monitor.rig.schema import Bag, Rig

LIMIT_PA_S = 10.0
"""A bag may lose no more, 0.06 bar in ten minutes (common practice, no source). The maker's own limit goes before it."""
PRESSED_PA = 20_000.0
"""A bag at less has nothing to lose (invented)."""
AT_MOST_NS = 300_000_000_000
"""After five minutes what cannot be told is said to be so (invented)."""
_PASS_SDS, _FAIL_SDS = 2.0, 4.0
"""Standard deviations within which a bag must be below the limit, or beyond which it is above (common practice, no source)."""
_MOVED_M = 0.003
"""A load that has gone further than this (or four standard deviations) changes the bags' volume (invented)."""
_UNCORRECTED_S = 60.0
"""How long the line must be where no sensor gives the temperature: air that cools looks like a leak at first (invented)."""
_EARLY_NS = 3_000_000_000
"""How long a gauge is waited for (invented)."""
_HEARD = (SensorStatus.OK, SensorStatus.MAINTENANCE, SensorStatus.CHECK)


class Hold:
    """One bag's hold, from the moment it is shut."""

    def __init__(self, bag: Bag, noise_pa: float, units: str = "metric") -> None:
        self.bag, self._noise, self._units = bag, noise_pa, units
        self._loss = PressureLoss()
        self._latest: LossPicture | None = None
        self._pressure: float | None = None
        self._begun: tuple[int, float] | None = None
        self._first_ns: int | None = None
        self._now_ns = 0

    def tick(self, now_ns: int, pressure_pa: float | None, temperature_k: float | None) -> None:
        """Look at it: gauge pressure (Pa) and temperature of its air (K), None while not known."""
        self._pressure, self._now_ns = pressure_pa, now_ns
        if self._first_ns is None:
            self._first_ns = now_ns
        if self._begun is None and pressure_pa is not None and pressure_pa >= PRESSED_PA:
            self._begun = now_ns, pressure_pa
        self._latest = self._loss.tick(now_ns, self._begun is not None, pressure_pa, self._noise, temperature_k)

    def judge(self, whole: bool, moved: str = "") -> Result | None:
        """The result, or None while more time may bring one. `whole`: there is no more time; `moved`: what spoils it."""
        loss, pressure = self._latest, self._pressure
        if moved:
            return self._said(Outcome.UNSURE, moved)
        early = self._first_ns is None or self._now_ns - self._first_ns < _EARLY_NS
        if pressure is None:
            return (
                None
                if early and not whole
                else self._said(Outcome.UNSURE, f"{self.bag.pressure} is not to be believed")
            )
        at = show.pressure(pressure, self._units)
        if self._begun is None:
            text = f"at {at} it has nothing to lose: press it, and shut its valve"
            return None if early and not whole else self._said(Outcome.OPEN, text)
        if pressure < self._begun[1] / 2.0:
            took = f"{(self._now_ns - self._begun[0]) * 1e-9:.0f} s"
            return self._said(
                Outcome.WRONG, f"went from {show.pressure(self._begun[1], self._units)} to {at} in {took}: {_LOOK}"
            )
        if loss is not None and (loss.corrected or loss.over_s >= _UNCORRECTED_S):
            rate, sd = loss.loss_pa_s, loss.loss_sd_pa_s
            if rate - _FAIL_SDS * sd > LIMIT_PA_S:
                return self._said(Outcome.WRONG, f"loses {self._rate(rate, sd)}, more than {self._limit()}: {_LOOK}")
            if -rate - _FAIL_SDS * sd > LIMIT_PA_S:
                return self._said(
                    Outcome.WRONG, f"gains {self._rate(-rate, sd)}: a valve lets air in, or the bag warms"
                )
            if abs(rate) + _PASS_SDS * sd < LIMIT_PA_S:
                return self._said(Outcome.OK, f"loses {self._rate(max(rate, 0.0), sd)}, within {self._limit()}")
            if whole:
                return self._said(Outcome.UNSURE, f"loses {self._rate(rate, sd)}: too near {self._limit()} to tell")
        if not whole:
            return None
        return self._said(Outcome.OPEN, "not enough time: " + NEEDS)

    def _rate(self, pa_s: float, sd: float) -> str:
        over = f" over {self._latest.over_s:.0f} s" if self._latest else ""
        bar = self._units != "us"
        unit, name = (to_si("pressure", "1 bar"), "bar") if bar else (to_si("pressure", "1 psi"), "psi")
        per = 600.0 / unit
        places = 3 if bar else 2
        return f"{show.known(pa_s * per, sd * per, places)} {name} in 10 min{over}"

    def _limit(self) -> str:
        return f"the limit of {show.pressure(LIMIT_PA_S * 600.0, self._units)} in 10 min (common practice, no source)"

    def _said(self, outcome: Outcome, text: str) -> Result:
        loss = self._latest
        figures: tuple[tuple[str, float | str | None], ...] = (
            ("pressure_pa", self._pressure),
            ("limit_pa_s", LIMIT_PA_S),
        )
        if loss is not None:
            figures += (("loss_pa_s", loss.loss_pa_s), ("loss_sd_pa_s", loss.loss_sd_pa_s), ("over_s", loss.over_s))
        return Result("hold", self.bag.name, outcome, text, figures)


NEEDS = "about 100 s of standing still where no sensor gives the air's temperature"
_LOOK = "look at its couplings and its valve, then at the bag"


class Holding:
    """The hold of all bags of a rig at once."""

    def __init__(self, rig: Rig) -> None:
        channels = {channel.name: channel for channel in rig.channel}
        self.bags = [
            Hold(bag, ChannelState(channels[bag.pressure]).noise, rig.rig.units)
            for stack in rig.stack
            for bag in stack.bag
        ]
        self._units = rig.rig.units
        self._begun_ns: int | None = None
        self._rise_m: float | None = None
        self._moved = ""

    def tick(self, picture: Picture) -> list[Result]:
        """Look at a picture; the results once every bag has one, else an empty list."""
        if self._begun_ns is None:
            self._begun_ns, self._rise_m = picture.time_ns, picture.load.rise_m
        self._look_at_load(picture)
        sensors = {it.name: it for it in picture.sensors}
        for hold in self.bags:
            bag = hold.bag
            warmth = _value(sensors[bag.temperature]) if bag.temperature is not None else None
            hold.tick(picture.time_ns, _value(sensors[bag.pressure]), warmth)
        found = self.results(whole=picture.time_ns - self._begun_ns >= AT_MOST_NS)
        return found if len(found) == len(self.bags) else []

    def results(self, whole: bool) -> list[Result]:
        """What can be said now; with `whole` of every bag."""
        return [it for hold in self.bags if (it := hold.judge(whole, self._moved)) is not None]

    def _look_at_load(self, picture: Picture) -> None:
        rise, sd = picture.load.rise_m, picture.load.rise_sd_m or 0.0
        if rise is None or self._rise_m is None:
            return
        gone = rise - self._rise_m
        if abs(gone) > max(_MOVED_M, _FAIL_SDS * sd):
            way = "risen" if gone > 0.0 else "sunk"
            self._moved = (
                f"the load has {way} by {show.length(abs(gone), self._units)}, which changes the bags' pressure"
            )


def _value(sensor: SensorPicture) -> float | None:
    return sensor.value if sensor.status in _HEARD else None
