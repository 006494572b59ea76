"""What each rule on the instrument itself looks at: ports, recorder, queue, and every sensor.

A sensor's trouble is a caution while the danger rules can do without it, and a warning that names the blind rule where
they cannot: each look is a row twice in the table, once with `spared` and once with `blinding`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import wraps

from monitor import quantities as show
from monitor.engine.conditions import Measured, Outcome, Scene, Suppressed
from monitor.engine.picture import SensorPicture, SensorStatus
from monitor.engine.rates import FLOOD

_SETTLING_NS = 3_000_000_000
"""How long after a port has come up its channels may still be on their way; not one whose node says that it is gone."""

_FINE = Measured(0.0, "", {})
"""What most looks at most sensors say, at every tick."""

SOMETHING_KEPT = 2.0
"""The share of a recorder in trouble; more once that had stood and nothing was kept anywhere any more."""

Look = Callable[[Scene, str], Outcome]


def stop_called(scene: Scene, _: str) -> Outcome:
    """Anyone has called STOP."""
    reason = scene.picture.stop_called
    return Measured(0.0 if reason is None else 2.0, reason or "", {"reason": reason})


def link_lost(scene: Scene, name: str) -> Outcome:
    """A port is gone."""
    port = scene.port(name)
    late = port.up is None and scene.picture.time_ns > 3_000_000_000
    text = port.text or "nothing heard from it since the start"
    return Measured(2.0 if port.up is False or late else 0.0, text, {"said": text})


def recorder(scene: Scene, _: str) -> Outcome:
    """The recording is not kept as it should be: at one place, or at none any more."""
    seen = _standing(scene, "recorder")
    return replace(seen, share=SOMETHING_KEPT + 1.0) if seen.share and "unrecorded" in scene.notices else seen


def behind_time(scene: Scene, _: str) -> Outcome:
    """The monitor cannot keep up with its sensors."""
    return _standing(scene, "behind-time")


def calibration_old(scene: Scene, name: str) -> Outcome:
    """A channel's calibration is out of date, as whoever has a clock said when the session began."""
    text = scene.out_of_date.get(name)
    return _FINE if text is None else Measured(2.0, text, {"said": text})


def flood(scene: Scene, _: str) -> Outcome:
    """More alarms come than a person can take in."""
    return Measured(scene.raises / FLOOD, lambda: f"{scene.raises} alarms in 10 min", {"raises": float(scene.raises)})


def _standing(scene: Scene, kind: str) -> Measured:
    text = scene.notices.get(kind)
    return Measured(0.0 if text is None else 2.0, text or "", {"said": text})


def spared(look: Look) -> Look:
    """The look, at channels that no danger rule needs now."""

    @wraps(look)
    def at(scene: Scene, name: str) -> Outcome:
        if name in scene.dark:
            return None
        return look(scene, name) if name in scene.odd else _FINE

    return at


def blinding(look: Look) -> Look:
    """The look, at channels without which a danger rule is blind."""

    @wraps(look)
    def at(scene: Scene, name: str) -> Outcome:
        if name not in scene.dark:
            return None
        return look(scene, name) if name in scene.odd else _FINE

    return at


def silent(scene: Scene, name: str) -> Outcome:
    """A channel says nothing."""
    sensor = scene.sensor(name)
    quiet = sensor.status in (SensorStatus.STALE, SensorStatus.NEVER_SEEN)
    port = scene.port(sensor.port)
    settling = not sensor.gone and scene.picture.time_ns - port.since_ns < _SETTLING_NS
    if quiet and (port.up is not True or settling):
        return Suppressed(f"{sensor.port} is down, or only just back")
    if quiet and "behind-time" in scene.notices:
        return Suppressed("the monitor has not taken in what it says")
    if not quiet:
        return _FINE
    since = "never heard" if sensor.age_s is None else f"silent {sensor.age_s:.0f} s"
    if sensor.gone:
        since = "its node is gone"
    return Measured(
        2.0,
        since + _blind(scene, name),
        {"age_s": sensor.age_s, "blind": ", ".join(scene.dark.get(name, [])) or None},
    )


def beyond(scene: Scene, name: str) -> Outcome:
    """A channel reads what it cannot read."""
    sensor = scene.sensor(name)
    if sensor.status is not SensorStatus.OUT_OF_RANGE:
        return _FINE
    value = show.value(sensor.value, sensor.quantity, scene.units)
    return _trouble(scene, sensor, f"reads {value}, out of its range")


def wire(scene: Scene, name: str) -> Outcome:
    """A channel gives no value, by its loop's current or by the device's own word."""
    sensor = scene.sensor(name)
    void = sensor.status in (SensorStatus.FAILED, SensorStatus.CHECK) and sensor.value is None
    return _trouble(scene, sensor, sensor.says) if void and sensor.says else _FINE


def frozen(scene: Scene, name: str) -> Outcome:
    """A channel that used to tremble reads the same to the bit."""
    sensor = scene.sensor(name)
    if sensor.status is not SensorStatus.FAILED or sensor.value is None:
        return _FINE
    return _trouble(scene, sensor, f"stuck at {show.value(sensor.value, sensor.quantity, scene.units)}")


def noisy(scene: Scene, name: str) -> Outcome:
    """A channel trembles far more than it did at the zero."""
    if name not in scene.odd:
        return _FINE
    sensor = scene.sensor(name)
    if sensor.status is not SensorStatus.MAINTENANCE or sensor.says:
        return _FINE
    return _trouble(scene, sensor, "far noisier than at the zero")


def disagrees(scene: Scene, name: str) -> Outcome:
    """A channel says what the others contradict, is one of two of which one lies, or came alive too late for the zero."""
    sensor = scene.sensor(name)
    if sensor.status is not SensorStatus.CHECK or sensor.value is None:
        return _FINE
    if name in scene.unzeroed:
        what = "was silent at the zero"
    elif pair := scene.disputed.get(name):
        what = f"or {pair[0]} lies"
    else:
        what = f"reads {show.value(sensor.value, sensor.quantity, scene.units)}, the others say otherwise"
    return _trouble(scene, sensor, what)


def _trouble(scene: Scene, sensor: SensorPicture, what: str) -> Measured:
    return Measured(
        2.0,
        what + _blind(scene, sensor.name),
        {"value": sensor.value, "blind": ", ".join(scene.dark.get(sensor.name, [])) or None},
    )


def _blind(scene: Scene, name: str) -> str:
    """Which danger rule is blind without this channel; with its place where the line has room for it."""
    rules = scene.dark.get(name)
    if not rules:
        return ""
    return f", blinds {rules[0] if len(rules[0]) <= 12 else rules[0].split()[0]}"
