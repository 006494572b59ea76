"""A virtual rig that rests on real wires, whose air and faults a test turns on by hand."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from monitor.drill.scenario import Scenario
from monitor.drill.sensors import Fault
from monitor.drill.speak import Drill
from monitor.drill.wire import VirtualRig
from monitor.rig.load import parse_rig


class Bench:
    """A virtual rig that rests on real wires, and the hands on its valves: both are the drill's own thread."""

    def __init__(self, text: str, where: dict[str, str]) -> None:
        rig = parse_rig(text)
        rest = {"name": "rest", "title": "t", "story": "s", "move": [{"do": "wait", "seconds": 600}]}
        self.virtual = VirtualRig(rig, Scenario.model_validate(rest))
        self.pressed: dict[str, float] = {}
        self.drill = Drill(self.virtual, where, on_step=self._turn)
        self.ports = [word for name, url in self.drill.urls.items() for word in ("--port", f"{name}={url}")]

    def _turn(self, virtual: VirtualRig) -> None:
        """Fill each bag to what it is wanted at, or vent it; shut both valves of one nobody wants anything of."""
        for name, bag in virtual.truth.bags.items():
            wanted = self.pressed.get(name)
            bag.filling = 0.2 if wanted is not None and bag.pressure() < wanted else 0.0
            bag.venting = 1.0 if wanted == 0.0 and bag.pressure() > 0.0 else 0.0

    def fault(self, channel: str, kind: str, amount: float = 0.0) -> None:
        self.virtual._sensors.faults[channel] = Fault(kind, amount)

    def mend(self, channel: str) -> None:
        self.virtual._sensors.faults.pop(channel)


@contextlib.contextmanager
def on_wires(text: str, where: dict[str, str]) -> Iterator[Bench]:
    bench = Bench(text, where)
    try:
        bench.drill.start()
        yield bench
    finally:
        bench.drill.stop()
