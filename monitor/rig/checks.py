"""What two tables of a rig file must agree on: names that exist, quantities that fit, numbers that make sense together."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from math import dist, hypot

from drivers.config import Channel, fails
from drivers.registry import usable
from drivers.serial_place import NOT_TWO, shared
from monitor import quantities as show
from monitor.addition import added
from monitor.rig import calibrated
from monitor.rig.lines import Path
from monitor.rig.parts import MATERIALS, SIDES
from monitor.rig.schema import Limits, Rig, Stack, Step
from monitor.rig.statics import arm

Disagreement = tuple[Path, str, str]
"""(path of the key, what was found, what is allowed)."""


def disagreements(rig: Rig, *, kept: bool = False) -> Iterator[Disagreement]:
    """Everything in a rig that fits its schema and still cannot be. `kept`: it was recorded, and no wire of it is opened."""
    yield from references(rig)
    yield from numbers(rig)
    if not kept:
        yield from devices(rig)


def references(rig: Rig) -> Iterator[Disagreement]:
    """Names that are given twice, that nothing has, or that belong to something else."""
    yield from _names(rig)
    yield from _checklist(rig)
    yield from _channels_used(rig)
    yield from _sources(rig)
    for i, step in enumerate(rig.step):
        yield from _step(rig, ("step", i), step)
    yield from calibrated.disagreements(rig)


def devices(rig: Rig) -> Iterator[Disagreement]:
    """Serial devices that two ports would read."""
    for i, place, other in shared(rig.port):
        yield ("port", i, "url"), f"'{place}', the device of port {other}", f"a device of its own: {NOT_TWO}"


def numbers(rig: Rig) -> Iterator[Disagreement]:
    """Numbers that make no sense, alone or beside each other in one table."""
    yield from _load(rig)
    for i, stack in enumerate(rig.stack):
        yield from _stack(("stack", i), stack)
    yield from _shores(rig)
    yield from _sensors(rig)
    yield from _air_and_ground(rig)
    yield from limits(rig.limits)


def limits(given: Limits) -> Iterator[Disagreement]:
    """Limits that nothing could keep."""
    for key in ("capture_every", "rise_rate", "tilt", "cross_tilt", "apart"):
        if (value := getattr(given, key)) is not None and value <= 0.0:
            yield ("limits", key), f"{value:g}", "a limit above zero"
    if given.weight_margin < 0.0:
        yield ("limits", "weight_margin"), f"{given.weight_margin:g}", "a margin of zero or more"


_LARGE_M3, _HIGH_PA = 0.1, 50e5
"""No one carries a cylinder of so much water at such a pressure: its free air was meant (common practice, no source)."""


_ONE_LINE = 1e-6
"""Three sensors whose determinant (m^2, m or 1) is no more stand on one line, or look along one (invented)."""


def notes(rig: Rig) -> list[str]:
    """What is allowed and still worth a second look, a sentence each."""
    said = []
    used = {name for _, name, _ in _uses(rig)}
    for channel in rig.channel:
        if channel.name not in used:
            said.append(f"channel {channel.name} is read and shown, but nothing is computed from it")
    for stack in rig.stack:
        least = min(bag.working_pressure for bag in stack.bag)
        if stack.supply > least:
            said.append(f"stack {stack.name}: the supply is above the working pressure of a bag")
        if stack.head_tilt is None and not rig.tilt:
            said.append(f"stack {stack.name}: no tilt of its head or of the load, so its lean is never known")
    if not _tell_the_pose(rig):
        said.append(
            "the height and tilt sensors cannot tell how the load lies: rise and tilt, and what hangs on them, are never known"
        )
    elif len(rig.height) + len(rig.tilt) < 4:
        said.append("fewer than four height and tilt sensors: one that lies cannot be told from the load's own motion")
    for supply in rig.supply:
        if supply.volume is not None and supply.volume > _LARGE_M3 and supply.filled > _HIGH_PA:
            said.append(
                f"supply {supply.name}: {show.volume(supply.volume, rig.rig.units)} of water is a large cylinder;"
                " what it gives of free air is written as free_air"
            )
    if not rig.step:
        said.append("no steps: the rules that follow a plan have nothing to watch")
    return [*said, *_stops(rig)]


def _stops(rig: Rig) -> Iterator[str]:
    """Stops of the plan that no crew should go to, or that are reached before their step begins.

    Where several stacks lift, one carries another up, and how far a step begins is not told from the plan alone.
    """
    bags, units = {bag.name: (bag, stack) for stack in rig.stack for bag in stack.bag}, rig.rig.units
    up = 0.0
    for number, step in enumerate(rig.step, 1):
        until, fills = step.until, step.do == "fill"
        if until is None:
            continue
        if until.pressure is not None and fills and step.bag is not None:
            bag, stack = bags[step.bag]
            stop = f"step {number}: {show.pressure(until.pressure, units)} is above"
            if until.pressure > bag.working_pressure:
                yield f"{stop} the working pressure of {bag.name}, {show.pressure(bag.working_pressure, units)}"
            elif until.pressure > stack.supply:
                yield f"{stop} what the regulator of {stack.name} is set to, {show.pressure(stack.supply, units)}"
        if until.rise is not None and len(rig.stack) == 1:
            if until.pressure is None and (until.rise <= up if fills else until.rise >= up):
                yield (
                    f"step {number}: a rise of {show.length(until.rise, units)} is reached before it begins,"
                    f" by the plan at {show.length(up, units)}"
                )
            up = max(up, until.rise) if fills else min(up, until.rise)


def _tell_the_pose(rig: Rig) -> bool:
    """Whether three of the height and tilt sensors, together, see rise and both tilts: none follows from the two others."""
    seen = [(1.0, *it.at) for it in rig.height] + [(0.0, it.axis[0], it.axis[1]) for it in rig.tilt]
    return any(
        abs(a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g)) > _ONE_LINE
        for (a, b, c), (d, e, f), (g, h, i) in combinations(seen, 3)
    )


def _names(rig: Rig) -> Iterator[Disagreement]:
    def named(table: str) -> list[tuple[Path, str]]:
        return [((table, i, "name"), it.name) for i, it in enumerate(getattr(rig, table))]

    bags: list[tuple[Path, str]] = [
        (("stack", i, "bag", j, "name"), bag.name)
        for i, stack in enumerate(rig.stack)
        for j, bag in enumerate(stack.bag)
    ]
    for group in (
        named("stack") + named("shore") + named("crib"),
        bags,
        named("supply"),
        named("port"),
        named("channel"),
    ):
        seen: set[str] = set()
        for path, name in group:
            if name in seen:
                yield path, f"'{name}' a second time", "a name of its own"
            seen.add(name)


def _checklist(rig: Rig) -> Iterator[Disagreement]:
    seen: set[str] = set()
    for i, it in enumerate(rig.checklist):
        if it.item.strip().casefold() in seen:
            yield ("checklist", i, "item"), f"'{it.item}' a second time", "an item of its own"
        seen.add(it.item.strip().casefold())


def _uses(rig: Rig) -> Iterator[tuple[Path, str, str]]:
    """(path, channel name, quantity it must have) of every channel that something is computed from."""
    for i, stack in enumerate(rig.stack):
        at: Path = ("stack", i)
        for key in ("head_tilt", "head_offset"):
            for k, name in enumerate(getattr(stack, key) or ()):
                yield (*at, key, k), name, "angle" if key == "head_tilt" else "length"
        for j, bag in enumerate(stack.bag):
            yield (*at, "bag", j, "pressure"), bag.pressure, "pressure"
            for k, name in enumerate(bag.plate_tilt or ()):
                yield (*at, "bag", j, "plate_tilt", k), name, "angle"
            if bag.height is not None:
                yield (*at, "bag", j, "height"), bag.height, "length"
            if bag.temperature is not None:
                yield (*at, "bag", j, "temperature"), bag.temperature, "temperature"
    for i, shore in enumerate(rig.shore):
        yield ("shore", i, "extension"), shore.extension, "length"
        if shore.pressure is not None:
            yield ("shore", i, "pressure"), shore.pressure, "pressure"
        if shore.load_cell is not None:
            yield ("shore", i, "load_cell"), shore.load_cell, "force"
    for i, supply in enumerate(rig.supply):
        if supply.pressure is not None:
            yield ("supply", i, "pressure"), supply.pressure, "pressure"
    for i, height in enumerate(rig.height):
        yield ("height", i, "channel"), height.channel, "length"
    for i, tilt in enumerate(rig.tilt):
        yield ("tilt", i, "channel"), tilt.channel, "angle"


def _channels_used(rig: Rig) -> Iterator[Disagreement]:
    channels = {channel.name: channel for channel in rig.channel}
    pose: set[str] = set()
    for path, name, quantity in _uses(rig):
        if name not in channels:
            yield path, f"'{name}'", f"a channel of this file: {_some(list(channels))}"
        elif channels[name].quantity != quantity:
            yield path, f"'{name}', a channel of {channels[name].quantity}", f"a channel of {quantity}"
        elif path[0] in ("height", "tilt"):
            if name in pose:
                yield path, f"'{name}' a second time", "each sensor once"
            pose.add(name)


def _sources(rig: Rig) -> Iterator[Disagreement]:
    ports = {port.name: port for port in rig.port}
    places: dict[tuple[object, ...], str] = {}
    fitting: dict[str, list[Channel]] = {name: [] for name in ports}
    at = {channel.name: ("channel", i, "source") for i, channel in enumerate(rig.channel)}
    for channel in rig.channel:
        source, path = channel.source, at[channel.name]
        port = ports.get(source.port)
        if port is None:
            yield (*path, "port"), f"'{source.port}'", f"a port of this file: {_some(list(ports))}"
            continue
        wanted = usable()[port.driver].source
        if not isinstance(source, wanted):
            needs = " and ".join(k for k, it in wanted.model_fields.items() if it.is_required() and k != "port")
            yield path, "a source of another kind of port", f"{needs}: port '{port.name}' has driver '{port.driver}'"
            continue
        fitting[port.name].append(channel.wired)
        try:
            place = (source.port, *source.place())
            first = places.get(place)
        except Exception as error:  # noqa: BLE001 - another's code
            yield path, fails(port.driver, "the place of this source", error), "a driver that can tell it from others"
            continue
        if first is not None:
            yield path, f"the same place as channel {first}", "a place of its own"
        places.setdefault(place, channel.name)
    for i, port in enumerate(rig.port):
        if ports[port.name] is not port:
            continue  # its name is given twice, which is said already
        try:
            faults = list(usable()[port.driver].faults(port, fitting[port.name]))
        except Exception as error:  # noqa: BLE001 - another's code
            yield (
                ("port", i, "driver"),
                fails(port.driver, "these channels", error),
                "a driver that can judge its channels",
            )
            continue
        for channel_name, (key, found, allowed) in faults:
            yield (*at[channel_name], *key), found, allowed


_LEAST_M = 0.05
"""A hinge shorter than this has no direction, a stack nearer to it no arm (common practice, no source)."""


def _off_the_hinge(hinge: tuple[tuple[float, float], tuple[float, float]], rig: Rig) -> Iterator[Disagreement]:
    (x0, y0), (x1, y1) = hinge
    length = hypot(x1 - x0, y1 - y0)
    if length < _LEAST_M:
        yield (
            ("load", "hinge"),
            f"points {show.small(length, 'length', rig.rig.units)} apart",
            f"two points at least {show.length(_LEAST_M, rig.rig.units)} apart",
        )
        return
    for i, stack in enumerate(rig.stack):
        off = abs(arm(hinge, stack.at))
        if off < _LEAST_M:
            yield (
                ("stack", i, "at"),
                (f"{show.small(off, 'length', rig.rig.units)} from the hinge"),
                f"at least {show.length(_LEAST_M, rig.rig.units)}",
            )


def _load(rig: Rig) -> Iterator[Disagreement]:
    load = rig.load
    if load.weight is not None and load.weight <= 0.0:
        yield ("load", "weight"), f"{load.weight:g} N", "a weight above zero"
    if load.hinge is not None and load.hinge[0] == load.hinge[1]:
        yield ("load", "hinge"), "one point twice", "two points of the hinge line"
    elif load.hinge is not None:
        yield from _off_the_hinge(load.hinge, rig)
    if load.raise_ is not None and load.raise_ <= 0.0:
        yield ("load", "raise"), f"{load.raise_:g} m", "a rise above zero"
    for i, part in enumerate(load.part):
        if part.material not in MATERIALS:
            yield ("load", "part", i, "material"), f"'{part.material}'", f"one of {', '.join(MATERIALS)}"
        if len(part.size) != SIDES[part.shape] or min(part.size) <= 0.0:
            yield (
                ("load", "part", i, "size"),
                f"{part.size}",
                f"{SIDES[part.shape]} lengths above zero for a {part.shape}",
            )
    if load.outline and len(load.outline) < 3:
        yield ("load", "outline"), f"{len(load.outline)} points", "at least three corners"


def _stack(at: Path, stack: Stack) -> Iterator[Disagreement]:
    for key in ("ring", "supply", "height_at_zero"):
        if (value := getattr(stack, key)) <= 0.0:
            yield (*at, key), f"{value:g}", "above zero"
    if stack.head_ring < 0.0 or 0.0 < stack.ring <= stack.head_ring:
        yield (*at, "head_ring"), f"{stack.head_ring:g} m", f"from 0 to less than the foot's ring, {stack.ring:g} m"
    flat = added(bag.height_flat for bag in stack.bag)
    if stack.height_at_zero < flat - 1e-9:
        yield (*at, "height_at_zero"), f"{stack.height_at_zero:g} m", f"at least the flat bags: {flat:g} m"
    for j, bag in enumerate(stack.bag):
        here: Path = (*at, "bag", j)
        if bag.working_pressure <= 0.0:
            yield (*here, "working_pressure"), f"{bag.working_pressure:g} Pa", "above zero"
        for k, (height, force) in enumerate(bag.capacity):
            before = bag.capacity[k - 1] if k else None
            if force <= 0.0:
                yield (*here, "capacity", k, 1), f"{force:g} N", "a force above zero"
            if before is None:
                if abs(height - bag.height_flat) > 1e-6:
                    yield (*here, "capacity", k, 0), f"{height:g} m", f"the flat height, {bag.height_flat:g} m, first"
            elif height <= before[0]:
                yield (*here, "capacity", k, 0), f"{height:g} m", f"above the height before it, {before[0]:g} m"
            elif force > before[1]:
                yield (*here, "capacity", k, 1), f"{force:g} N", f"at most the force before it, {before[1]:g} N"


def _shores(rig: Rig) -> Iterator[Disagreement]:
    for i, shore in enumerate(rig.shore):
        for key in ("follow_pressure", "piston_area", "lock_pitch", "gap_allowed"):
            if (value := getattr(shore, key)) <= 0.0:
                yield ("shore", i, key), f"{value:g}", "above zero"


def _sensors(rig: Rig) -> Iterator[Disagreement]:
    for i, tilt in enumerate(rig.tilt):
        if not 1e-6 <= hypot(*tilt.axis) <= 1e6:  # nor a number that is none
            x, y = tilt.axis
            yield ("tilt", i, "axis"), f"[{x:g}, {y:g}]", "a direction, such as [1.0, 0.0]"
    for i, height in enumerate(rig.height):
        at: Path = ("height", i, "anchor")
        if height.mount == "wire" and height.anchor is None:
            yield (
                at,
                "nothing",
                "where the wire is anchored, such as ['4.7 m', '1.2 m', '-0.3 m']: mount 'wire' needs it",
            )
        elif height.mount != "wire" and height.anchor is not None:
            yield at, "an anchor", f"none: mount '{height.mount}' has no wire"
        elif height.anchor is not None and dist(height.anchor, (*height.at, height.height)) < 0.01:
            yield at, "the point the wire is fastened to", "another point: the wire needs a length at the zero"
    for i, crib in enumerate(rig.crib):
        if crib.width <= 0.0:
            yield ("crib", i, "width"), f"{crib.width:g} m", "above zero"


def _air_and_ground(rig: Rig) -> Iterator[Disagreement]:
    if rig.ground is not None and rig.ground.bearing <= 0.0:
        yield ("ground", "bearing"), f"{rig.ground.bearing:g} Pa", "above zero"
    for i, supply in enumerate(rig.supply):
        at: Path = ("supply", i)
        if (supply.volume is None) == (supply.free_air is None):
            found = "neither volume nor free_air" if supply.volume is None else "both volume and free_air"
            yield at, found, "one of them: what it holds of water, or what it gives of free air"
        for key in ("volume", "free_air", "filled"):
            if (value := getattr(supply, key)) is not None and value <= 0.0:
                yield (*at, key), f"{value:g}", "above zero"


def _step(rig: Rig, at: Path, step: Step) -> Iterator[Disagreement]:
    bags = [bag.name for stack in rig.stack for bag in stack.bag]
    stacks = [stack.name for stack in rig.stack]
    if step.bag is not None and step.bag not in bags:
        yield (*at, "bag"), f"'{step.bag}'", f"a bag of this file: {_some(bags)}"
    if step.do == "fill" and step.bag is None:
        yield (*at, "bag"), "nothing", "the bag to fill"
    if step.do in ("fill", "lower") and step.until is None:
        yield (*at, "until"), "nothing", "where it stops, such as { rise = '60 mm', at = 'S1' }"
    if step.do == "hold" and (step.for_ is None or step.for_ <= 0.0):
        yield (*at, "for"), "nothing" if step.for_ is None else f"{step.for_:g} s", "how long, such as '20 s'"
    until = step.until
    if until is None:
        return
    if until.rise is None and until.pressure is None:
        yield (*at, "until"), "no stop", "a rise or a pressure"
    if until.at is not None and until.at not in stacks:
        yield (*at, "until", "at"), f"'{until.at}'", f"a stack of this file: {_some(stacks)}"
    if until.rise is not None and until.at is None and len(stacks) > 1:
        yield (*at, "until", "at"), "nothing", f"at which stack the rise is meant: {_some(stacks)}"
    if until.pressure is not None and step.bag is None:
        yield (*at, "until", "pressure"), f"{until.pressure:g} Pa", "a pressure only with the bag it is in"


def _some(names: list[str]) -> str:
    return ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "")
