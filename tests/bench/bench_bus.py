"""How often a Modbus station is asked beside others that are silent, on a pseudo-terminal, counted by the station itself.

python tests/bench/bench_bus.py
"""

from __future__ import annotations

import sys
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from drivers.config import Channel
from drivers.kinds.modbus import ModbusPort
from drivers.ports import open_port
from tests.drivers.modbus_far import Bus

SECONDS, HOLDING, TIMEOUT_S = 20.0, 3, 0.2


def asked(silent: int, every_s: float) -> tuple[float, float, float]:
    """(requests a second to the living station, tries a second of all silent ones, share of a core)."""
    bus = Bus({1: {(HOLDING, 0): 1}})
    source = {"port": "bus", "holding": 0, "type": "uint16", "unit": "bar"}
    channels = [
        Channel(name=f"P{station}", quantity="pressure", source=source | {"station": station})
        for station in range(1, silent + 2)
    ]
    table = ModbusPort(name="bus", driver="modbus", url=bus.name, parity="none", every=every_s, timeout=TIMEOUT_S)
    port = open_port(table, channels, lambda _: None, time.monotonic_ns)
    port.start()
    threading.Event().wait(1.0 + silent * TIMEOUT_S)  # each silent one has its first try
    before, begun, cpu = bus.asked.copy(), time.monotonic(), time.process_time()
    threading.Event().wait(SECONDS)
    took, cpu = time.monotonic() - begun, time.process_time() - cpu
    now = bus.asked - before
    port.stop()
    bus.close()
    return now[1] / took, (now.total() - now[1]) / took, cpu / took


if __name__ == "__main__":
    for silent, every_s in ((0, 0.1), (1, 0.1), (5, 0.1), (0, 0.005)):
        rate, tries, share = asked(silent, every_s)
        print(
            f"wanted {1 / every_s:g} a second beside {silent} silent: "
            f"{rate:.2f} a second, {tries:.2f} tries of silent ones, {100 * share:.1f} % of a core"
        )
