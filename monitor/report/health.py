"""How well each channel of a session spoke: how often, how long not, and what was wrong with it. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.engine.picture import Picture, SensorPicture, SensorStatus


@dataclass(slots=True)
class Health:
    """One channel. Spans are ns, from the zero on; where none was taken, from the beginning on.

    `readings` of the whole session; `silence_ns` the longest without one between two; `faults` how often it went from ok to
    something else; `fault_ns`, `fault` and `says`: when that was last, what it was, and what device or loop said of itself.
    """

    name: str
    quantity: str
    port: str
    readings: int = 0
    first_ns: int | None = None
    last_ns: int | None = None
    silence_ns: int = 0
    not_ok_ns: int = 0
    watched_ns: int = 0
    faults: int = 0
    fault_ns: int | None = None
    fault: str = ""
    says: str = ""
    status: str = SensorStatus.NEVER_SEEN.value

    @property
    def rate_hz(self) -> float | None:
        """Readings a second between its first and its last; None with less than two."""
        if self.readings < 2 or self.first_ns is None or self.last_ns is None or self.last_ns <= self.first_ns:
            return None
        return (self.readings - 1) / ((self.last_ns - self.first_ns) * 1e-9)

    @property
    def not_ok_share(self) -> float | None:
        """Share of the time that it was not ok, 0 to 1; None where nobody looked."""
        return self.not_ok_ns / self.watched_ns if self.watched_ns else None


class Channels:
    """Gathers every channel's health: `heard` for every reading, `picture` for every picture."""

    def __init__(self) -> None:
        self._heard: dict[str, Health] = {}
        self._shown: dict[str, Health] = {}
        self._ok: dict[str, bool] = {}
        self._before_ns: int | None = None
        self._zero_ns: int | None = None

    def heard(self, channel: str, time_ns: int) -> None:
        """A reading of a channel has come."""
        it = self._heard.setdefault(channel, Health(channel, "", ""))
        it.readings += 1
        if it.last_ns is None:
            it.first_ns = time_ns
        else:
            it.silence_ns = max(it.silence_ns, time_ns - it.last_ns)
        it.last_ns = time_ns

    def picture(self, picture: Picture) -> None:
        """Take the next picture."""
        since_ns = 0 if self._before_ns is None else picture.time_ns - self._before_ns
        self._before_ns = picture.time_ns
        begun = picture.zero.taken_ns is not None and self._zero_ns is None
        if begun:
            self._zero_ns = picture.zero.taken_ns
        for sensor in picture.sensors:
            it = self._of(sensor)
            if begun:
                it.not_ok_ns = it.watched_ns = since_ns = 0
            self._look(it, sensor, picture.time_ns, since_ns)

    def all(self) -> list[Health]:
        """Every channel of the rig, in its order."""
        return list(self._shown.values())

    def _of(self, sensor: SensorPicture) -> Health:
        it = self._shown.get(sensor.name)
        if it is None:
            it = self._shown[sensor.name] = self._heard.setdefault(sensor.name, Health(sensor.name, "", ""))
            it.quantity, it.port = sensor.quantity, sensor.port
        return it

    def _look(self, it: Health, sensor: SensorPicture, time_ns: int, since_ns: int) -> None:
        ok = sensor.status is SensorStatus.OK
        it.watched_ns += since_ns
        it.not_ok_ns += 0 if ok else since_ns
        if self._ok.get(sensor.name, False) and not ok:
            it.faults += 1
        if not ok and sensor.status is not SensorStatus.NEVER_SEEN:
            it.fault_ns, it.fault, it.says = time_ns, sensor.status.value, sensor.says or it.says
        self._ok[sensor.name] = ok
        it.status = sensor.status.value
