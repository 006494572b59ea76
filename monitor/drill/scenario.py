"""A drill: what the crew does, what goes wrong, what must sound. Each is a file; this says what it may hold and reads it."""

from __future__ import annotations

import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError

from drivers.config import Strict
from drivers.units import Angle, Force, Length, Pressure, Time
from monitor.drill.faults import DrillError as DrillError
from monitor.drill.faults import first_fault

DEFAULT_RIG = "yard-panel"


class Must(Strict):
    """What must sound: within `by` seconds of the move named `after` and not before it began, or of the drill's start;
    any time without."""

    rule: str
    about: str
    priority: Literal["notice", "caution", "warning", "danger"]
    by: Annotated[Time, Field(gt=0)] | None = None
    after: str | None = None


FAULTS: dict[str, Literal["silent", "frozen", "bias", "drift", "spike", "noisy"]] = {
    "silence": "silent",
    "freeze": "frozen",
    "bias": "bias",
    "drift": "drift",
    "spike": "spike",
    "noisy": "noisy",
}
AMOUNTS = {
    "slip": "length", "slide": "length", "walk": "length", "crush": "length", "leak": "ratio", "cool": "temperature",
    "drop": "length", "burden": "force",
    "tail": "angle", "spend": "volume",
}  # fmt: skip
"""What `by` is of the moves that change the truth."""


class Move(Strict):
    """One move of the crew, or one thing that goes wrong. It lasts until the first of its stops is reached.

    Sensors: `silence`, `freeze`, `bias`, `drift`, `spike`, `noisy` spoil a channel and `restore` mends it. `by` is how
    much, in the channel's own quantity (drift: that much a second; noisy: a plain number, how many times the noise).
    `pressure` is what `air` sets, over `seconds` if given, and a stop of `fill` and `vent`.

    Things that go wrong with load and air go on for `seconds` while the crew's next move begins: `slip`, the top plate of
    `stack` slips on the load by `by` metres `toward` (x, y); `slide`, the load slides over its hinge so that the line of
    no rise goes `by` along it; `walk`, the edge at the hinge crumbles and that line walks as far, the load staying where
    it is; `crush`, the hinge's support sinks by `by`; `drop`, the lock of `shore` gives way by `by` and jams there;
    `burden`, something of the weight `by` comes to lie on the load (below zero: falls off it); `cool`, the air in `bag`
    comes to the temperature `by`. `leak`, at once and until `by` 0, is a hole in `bag` as a share of its open vent.
    `stack` is also where a `rise` is measured: else that of the bag, or the first.

    `regulator` sets the supply of `stack` (of all without) to `pressure`, what the plan says without one. `tail` makes a
    line fast that lets the load turn to the angle `by` (since the zero) and no further; `cast-off` lets go of it. `spend`
    takes free air, a volume, from the cylinders for other work. `unhose` shuts `bag` and takes its hose away, so that its
    gauge sees the open line; `rehose` puts it back.

    `unplug` and `plug`: the cable of `port`. `trouble` and `mend`: what the monitor says of itself, `kind` "recorder" or
    "behind-time", or that the "calibration" of `channel` is out of date. These and `act` reach only a monitor in the same
    program, where the drill is judged.

    `act` is a person's `action` at the monitor, as in `run --actions -`; a drill that speaks on wires leaves it to whoever
    sits there.
    `called` is a name for what must sound `after` it.
    """

    called: str | None = None

    do: Literal[
        "wait", "fill", "vent", "plan", "stick", "free", "release", "lock", "air", "roll",
        "slip", "slide", "walk", "crush", "drop", "burden", "leak", "cool", "regulator", "tail", "cast-off", "spend", "act",
        "unhose", "rehose", "unplug", "plug", "trouble", "mend",
        "silence", "freeze", "bias", "drift", "spike", "noisy", "restore",
    ]  # fmt: skip
    bag: str | None = None
    shore: str | None = None
    stack: str | None = None
    channel: str | None = None
    opening: Annotated[float, Field(gt=0, le=10)] = 1.0
    pressure: Pressure | None = None
    rate: Angle = 0.0
    by: float | str | None = None
    toward: tuple[float, float] = (1.0, 0.0)
    steps: list[int] = []
    seconds: Time | None = None
    rise: Length | None = None
    gap: Length | None = None
    lean: Length | None = None
    action: dict[str, str] | None = None
    port: str | None = None
    kind: Literal["recorder", "behind-time", "calibration"] | None = None


class TrueLoad(Strict):
    """What the load truly is, where the plan has it wrong."""

    weight: Annotated[Force, Field(gt=0)] | None = None
    centre_of_gravity: tuple[Length, Length, Length] | None = None


class BadClock(Strict):
    """A port that does not keep time well: late by a normal deviate of `jitter`, its own clock slow by a share `skew`."""

    port: str
    jitter: Annotated[Time, Field(ge=0)] = 0.0
    skew: Annotated[float, Field(ge=0, le=0.5)] = 0.0


class Scenario(Strict):
    """A drill file. `rig`: the packaged rig it is made for.

    `must_not`: "other", nothing else of warning or danger may sound; or the rules that may not, at any priority, besides
    what must, while the rest may.
    """

    name: Annotated[str, Field(min_length=1)]
    title: Annotated[str, Field(min_length=1)]
    story: Annotated[str, Field(min_length=1)]
    rig: str = DEFAULT_RIG
    truth: TrueLoad = TrueLoad()
    must: list[Must] = []
    must_not: Literal["other"] | list[str] = "other"
    clock: list[BadClock] = []
    move: Annotated[list[Move], Field(min_length=1)]


_TABLES: dict[str, type[Strict]] = {
    "": Scenario, "must": Must, "move": Move, "truth": TrueLoad, "clock": BadClock,
}  # fmt: skip


def names(folder: str = "scenarios") -> list[str]:
    """The drills that come with the program; of the folder "rigs", its rigs."""
    there = files("monitor.drill").joinpath(folder).iterdir()
    return sorted(entry.name.removesuffix(".toml") for entry in there if entry.name.endswith(".toml"))


def rig_text(name: str) -> str:
    """The text of a rig file that comes with the program."""
    return files("monitor.drill").joinpath(f"rigs/{name}.toml").read_text(encoding="utf-8")


def load(name: str) -> Scenario:
    """A drill by name, or from a file. Raises DrillError."""
    path = Path(name)
    try:
        if name in names():
            text = files("monitor.drill").joinpath(f"scenarios/{name}.toml").read_text(encoding="utf-8")
        elif path.suffix == ".toml":
            text = path.read_text(encoding="utf-8")
        else:
            raise DrillError(f"found drill '{name}'; allowed is one of {', '.join(names())}, or a drill file (.toml)")
        it = Scenario.model_validate(tomllib.loads(text))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise DrillError(f"{name}: {error}") from None
    except ValidationError as error:
        raise first_fault(name, error, _TABLES) from None
    _coherent(name, it)
    return it


def _coherent(name: str, it: Scenario) -> None:
    """Raise DrillError where two keys of a drill do not fit each other, whatever the rig."""
    rigs = names("rigs")
    if it.rig not in rigs:
        raise DrillError(f"{name}: rig: found '{it.rig}'; allowed is one of {', '.join(rigs)}")
    called = [move.called for move in it.move if move.called is not None]
    for i, move in enumerate(it.move):
        if move.called is not None and called.count(move.called) > 1:
            raise DrillError(
                f"{name}: move[{i}].called: found '{move.called}' a second time; allowed is a name of its own"
            )
    for i, must in enumerate(it.must):
        if must.after is not None and must.after not in called:
            said = ", ".join(called) or "none: no move of this drill is called anything"
            raise DrillError(f"{name}: must[{i}].after: found '{must.after}'; allowed is what a move is called: {said}")
