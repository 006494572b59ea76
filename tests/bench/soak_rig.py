"""The rig of the soak: two stacks, four shores, 40 channels that are sent fifty times a second, and four that are asked for.

Every reading is known by its own value: its last seven digits are its number, far below what a sensor resolves, and the
digits before them are a level with an invented noise. So a value in the journal says which sample of its channel it is, and
whether it is one that was sent. Numbers from `EXTRA` on are readings that were sent besides.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from math import pi

RATE = 50
DIGITS = 10_000_000
EXTRA = 9_000_000
PACK, HEAD, MID_X, MID_Y = "yard/S2/pack", "yard/S1/head", "yard/S1/mid-x", "yard/S1/mid-y"
BENCH, SHED, NODES, NET, BUS = "bench", "shed", "nodes", "yard-net", "cylinders"
"""Sentences on a pty, sentences over TCP, lines on a pty, a broker, and a Modbus bus on a pty."""
STEADY_PORTS = (BENCH, SHED, NODES, NET)

_KINDS = {
    # kind: (quantity, unit on the wire, SI = scale * value + offset, decimals of the level, range)
    "bar": ("pressure", "bar", 1e5, 0.0, 4, ("-0.1 bar", "10 bar"), "0.01 bar"),
    "m": ("length", "m", 1.0, 0.0, 5, ("-0.5 m", "2 m"), "0.5 mm"),
    "deg": ("angle", "deg", pi / 180.0, 0.0, 3, ("-45 deg", "45 deg"), "0.03 deg"),
    "N": ("force", "N", 1.0, 0.0, 0, ("-1 kN", "100 kN"), "50 N"),
    "degC": ("temperature", "degC", 1.0, 273.15, 2, ("-30 degC", "60 degC"), "0.1 degC"),
}
_NOISE = {"bar": 0.005, "m": 0.0003, "deg": 0.02, "N": 20.0, "degC": 0.05}
XDR = {"bar": ("P", "B"), "m": ("D", "M"), "deg": ("A", "D"), "N": ("N", "N"), "degC": ("C", "C")}
OUTSIDE = {"bar": 12.0, "m": 3.0, "deg": 60.0, "N": 200_000.0, "degC": 80.0}
"""What is beyond the range of a channel of each kind."""


@dataclass(frozen=True)
class Sent:
    """A channel as its sender knows it: `kind` is its unit on the wire, `levels` what it reads, in steps of its decimals."""

    name: str
    port: str
    kind: str
    levels: tuple[int, ...]

    @property
    def decimals(self) -> int:
        return _KINDS[self.kind][4]

    @property
    def si(self) -> tuple[float, float]:
        """(scale, offset) to SI."""
        return _KINDS[self.kind][2], _KINDS[self.kind][3]

    def texts(self) -> list[str]:
        """The digits that stand before the number of a sample."""
        return [f"{level / 10**self.decimals:.{self.decimals}f}" + "." * (self.decimals == 0) for level in self.levels]

    def outside(self) -> str:
        """The digits of a value beyond the range."""
        return f"{OUTSIDE[self.kind]:.{self.decimals}f}" + "." * (self.decimals == 0)


def level_of(number: int) -> int:
    """Which of the levels a sample has."""
    return number * 7 & 255


def channels() -> list[Sent]:
    """The 40 channels with a rhythm of their own, the same every time."""
    rng = random.Random(1)

    def one(name: str, port: str, kind: str, base: float) -> Sent:
        step = 10.0 ** -_KINDS[kind][4]
        return Sent(name, port, kind, tuple(round(rng.gauss(base, _NOISE[kind]) / step) for _ in range(256)))

    made = []
    for i in range(1, 5):
        made += [
            one(f"N{i}-ext", BENCH, "m", 0.26),
            one(f"N{i}-p", BENCH, "bar", 1.8),
            one(f"N{i}-cell", BENCH, "N", 900.0),
        ]
    for stack, port in (("S1", NODES), ("S2", SHED)):
        for bag in ("lower", "upper"):
            made += [
                one(f"{stack}-{bag}-p", port, "bar", 0.6),
                one(f"{stack}-{bag}-h", port, "m", 0.12),
                one(f"{stack}-{bag}-t", port, "degC", 18.0),
            ]
    made += [one("H1", SHED, "m", 0.0), one("H2", SHED, "m", 0.0)]
    made += [one("S1-head-dx", NODES, "m", 0.0), one("S1-head-dy", NODES, "m", 0.0)]
    made += [one(f"S1-{plate}-{axis}", NET, "deg", 0.0) for plate in ("head", "mid") for axis in "xy"]
    made += [one(f"S2-{plate}-{axis}", NET, "deg", 0.0) for plate in ("head", "mid") for axis in "xy"]
    made += [one("S2-head-dx", NET, "m", 0.0), one("S2-head-dy", NET, "m", 0.0)]
    made += [one("load-x", NET, "deg", 0.0), one("load-y", NET, "deg", 0.0)]
    return made


BUS_CHANNELS = tuple(f"air-{i}-p" for i in range(1, 5))
BUS_BAR, BUS_STEP = 100, 1e-6
"""What the cylinders read (bar), and what one more answer adds."""

_LOAD = """version = 1
[rig]
name = "soak-yard"
notes = "A training yard that never was: a panel at rest on two stacks, watched for hours. All numbers are invented."
[load]
name = "precast wall panel"
centre_of_gravity = ["2.4 m", "0 m", "0.10 m"]
weight = "56 kN"
outline = [["0 m", "-1.25 m"], ["4.8 m", "-1.25 m"], ["4.8 m", "1.25 m"], ["0 m", "1.25 m"]]
thickness = "0.20 m"
hinge = [["0 m", "-1.25 m"], ["0 m", "1.25 m"]]
"""


def _stack(name: str, y: str) -> str:
    bags = "".join(
        f'[[stack.bag]]\nname = "{name}-{bag}"\nworking_pressure = "8 bar"\nheight_flat = "0.12 m"\n'
        f'pressure = "{name}-{bag}-p"\nheight = "{name}-{bag}-h"\ntemperature = "{name}-{bag}-t"\n'
        + (f'plate_tilt = ["{name}-mid-x", "{name}-mid-y"]\n' if bag == "lower" else "")
        + 'capacity = [["0.12 m", "96 kN"], ["0.25 m", "92 kN"], ["0.40 m", "84 kN"], ["0.52 m", "70 kN"]]\n'
        for bag in ("lower", "upper")
    )
    return (
        f'[[stack]]\nname = "{name}"\nat = ["4.2 m", "{y}"]\nheight_at_zero = "0.24 m"\nsupply = "7.5 bar"\n'
        f'ring = "0.15 m"\nhead_tilt = ["{name}-head-x", "{name}-head-y"]\n'
        f'head_offset = ["{name}-head-dx", "{name}-head-dy"]\n{bags}'
    )


def _shore(i: int) -> str:
    x, y = ("4.6 m", "3.4 m")[i > 2], ("1.0 m", "-1.0 m")[i % 2]
    return (
        f'[[shore]]\nname = "N{i}"\nat = ["{x}", "{y}"]\nextension = "N{i}-ext"\npressure = "N{i}-p"\n'
        f'load_cell = "N{i}-cell"\nfollow_pressure = "1.8 bar"\npiston_area = "28 cm^2"\n'
        'rated = [["0.2 m", "90 kN"], ["0.9 m", "60 kN"]]\nlength_at_zero = "0.26 m"\n'
    )


def _source(it: Sent) -> str:
    if it.port in (BENCH, SHED):
        return f'id = "{it.name}"'
    if it.port == NODES:
        return f'id = "{it.name}", unit = "{_KINDS[it.kind][1]}"'
    if it.name.startswith("S1-head"):
        return f'topic = "{HEAD}", format = "json", pointer = "/tilt/{"xy".index(it.name[-1])}", unit = "deg"'
    if it.name.startswith("S1-mid"):
        return f'topic = "{MID_X if it.name[-1] == "x" else MID_Y}", format = "number", unit = "deg"'
    return f'topic = "{PACK}", format = "senml", n = "{it.name}"'


def rig_text(bench: str, shed: str, nodes: str, broker: int, bus: str) -> str:
    """The rig file, where its wires are found: two paths, a URL, the broker's port, a path."""
    parts = [_LOAD, _stack("S1", "0.6 m"), _stack("S2", "-0.6 m"), *map(_shore, range(1, 5))]
    for name, y in (("H1", "1.2 m"), ("H2", "-1.2 m")):
        parts.append(f'[[height]]\nchannel = "{name}"\nat = ["4.7 m", "{y}"]\n')
    parts.append('[[tilt]]\nchannel = "load-x"\naxis = [1.0, 0.0]\n[[tilt]]\nchannel = "load-y"\naxis = [0.0, 1.0]\n')
    parts += [
        f'[[supply]]\nname = "cylinder-{i}"\nvolume = "9 L"\nfilled = "200 bar"\npressure = "{name}"\n'
        for i, name in enumerate(BUS_CHANNELS, 1)
    ]
    parts.append('[[step]]\ndo = "fill"\nbag = "S1-upper"\nuntil = { rise = "60 mm", at = "S1" }\n')
    parts.append(
        f'[[port]]\nname = "{BENCH}"\ndriver = "nmea"\nurl = "{bench}"\nbaud = 460800\n'
        f'[[port]]\nname = "{SHED}"\ndriver = "nmea"\nurl = "{shed}"\n'
        f'[[port]]\nname = "{NODES}"\ndriver = "lines"\nurl = "{nodes}"\nbaud = 460800\n'
        f'[[port]]\nname = "{NET}"\ndriver = "mqtt"\nhost = "127.0.0.1"\nport = {broker}\nqos = 1\n'
        f'[[port]]\nname = "{BUS}"\ndriver = "modbus"\nurl = "{bus}"\nbaud = 115200\nparity = "none"\n'
        'every = "100 ms"\ntimeout = "2 s"\n'
    )
    for it in channels():
        quantity, _, _, _, _, limits, noise = _KINDS[it.kind]
        parts.append(
            f'[[channel]]\nname = "{it.name}"\nquantity = "{quantity}"\nrange = ["{limits[0]}", "{limits[1]}"]\n'
            f'noise = "{noise}"\nsource = {{ port = "{it.port}", {_source(it)} }}\n'
        )
    for i, name in enumerate(BUS_CHANNELS):
        parts.append(
            f'[[channel]]\nname = "{name}"\nquantity = "pressure"\nrange = ["0 bar", "300 bar"]\nnoise = "0.1 bar"\n'
            f'source = {{ port = "{BUS}", station = 1, holding = {2 * i}, type = "uint32", words = "high-first", '
            f'scale = {BUS_STEP!r}, offset = {BUS_BAR}, unit = "bar" }}\n'
        )
    return "".join(parts)
