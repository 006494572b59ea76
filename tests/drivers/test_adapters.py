"""Adapters found by what they are. The list of what is plugged in is made up here, as no test can pull a USB plug: it stands
in for the bus alone. The devices it names are real pseudo-terminals, opened, read and taken away."""

from __future__ import annotations

import os
import re
import time
import tty

import pytest
from pydantic import ValidationError

from drivers import adapters, nmea
from drivers.adapters import Adapter, AdapterError, device, wanted
from drivers.config import Channel
from drivers.kinds.lines import LinesPort
from drivers.kinds.modbus import ModbusPort
from drivers.kinds.nmea import NmeaPort
from drivers.modbus import ModbusReader
from drivers.ports import PortError, open_port, redirect
from drivers.serial_line import SerialReader
from monitor.rig.load import RigFaults, parse_rig

from .conformance import Heard
from .modbus_far import Bus

# Invented adapters.
A = Adapter("/dev/ttyUSB0", "0403", "6001", "YARD7", "1-1.2")
B = Adapter("/dev/ttyUSB1", "0403", "6001", "YARD8", "1-1.4:1.0")
C = Adapter("/dev/ttyUSB2", "0403", "6001", "YARD8", "1-1.4:1.1")
BARE = Adapter("/dev/ttyACM0", "2e8a", "000a")


@pytest.mark.parametrize(
    ("place", "asked"),
    [
        ("usb:YARD7", {"serial": "YARD7"}),
        ("usb:serial=YARD7", {"serial": "YARD7"}),
        ("usb:vid=0403, pid=6001", {"vid": "0403", "pid": "6001"}),
        ("usb:vid=2E8A", {"vid": "2e8a"}),
        ("usb:location=1-1.4:1.0", {"location": "1-1.4:1.0"}),
        ("/dev/ttyUSB0", None),
        ("socket://10.0.0.5:4001", None),
    ],
)
def test_what_a_place_asks_for(place, asked):
    assert wanted(place) == asked


@pytest.mark.parametrize(
    "place",
    ["usb:", "usb: ", "usb:colour=red", "usb:vid=403", "usb:vid=0x0403", "usb:serial=A,serial=B", "usb:vid=0403,"],
)
def test_what_asks_for_nothing_is_one_sentence(place):
    with pytest.raises(AdapterError, match="allowed is usb:SERIALNUMBER") as caught:
        device(place, list)
    assert "\n" not in str(caught.value)
    for table in (NmeaPort, LinesPort, ModbusPort):
        kind = table.model_fields["driver"].annotation.__args__[0]
        with pytest.raises(PortError, match="port 'b': found 'usb:"):
            redirect(table(name="b", driver=kind, url="COM3"), place)
        with pytest.raises(ValidationError, match="usb:SERIALNUMBER, or usb:KEY=VALUE"):
            table(name="b", driver=kind, url=place)


@pytest.mark.parametrize(
    "place",
    ["socket://", "socket://10.0.0.5", "socket://10.0.0.5:", "socket://:4001", "socket://h:99999", "rfc2217://h:first"],
)
def test_a_place_on_a_network_has_a_host_and_a_port(place):
    allowed = f"{place.partition(':')[0]}://HOST:PORT"
    with pytest.raises(AdapterError, match=f"^found '{re.escape(place)}', allowed is {allowed}$"):
        device(place, list)
    with pytest.raises(RigFaults) as caught:
        parse_rig(f'[rig]\nname = "yard"\n[[port]]\nname = "b"\ndriver = "nmea"\nurl = "{place}"\n')
    (mine,) = (it for it in caught.value.faults if it.path == "port[0].url (b)")
    assert (mine.line, mine.found, mine.allowed) == (6, f"'{place}'", allowed)
    with pytest.raises(PortError, match=f"allowed is {allowed}"):
        redirect(NmeaPort(name="b", driver="nmea", url="COM3"), place)


@pytest.mark.parametrize(
    ("place", "there", "found"),
    [
        ("usb:YARD7", [A, B, C, BARE], A),
        ("usb:serial=YARD8,location=1-1.4:1.1", [A, B, C], C),
        ("usb:location=1-1.2", [A, B], A),
        ("usb:location=1-1.4", [A, B], B),  # the interface may be left out where there is one
        ("usb:vid=2e8a,pid=000A", [A, BARE], BARE),
    ],
)
def test_the_one_that_fits_is_found(place, there, found):
    assert device(place, lambda: there) == found.device


ONE, TWO, THREE = (
    "/dev/ttyUSB0 (0403:6001 serial YARD7 at 1-1.2)",
    "/dev/ttyUSB1 (0403:6001 serial YARD8 at 1-1.4:1.0)",
    "/dev/ttyUSB2 (0403:6001 serial YARD8 at 1-1.4:1.1)",
)


@pytest.mark.parametrize(
    ("place", "there", "says"),
    [
        ("usb:YARD9", [A, BARE], f"no adapter is usb:YARD9; plugged in: {ONE}, /dev/ttyACM0 (2e8a:000a)"),
        ("usb:YARD9", [], "no adapter is usb:YARD9; plugged in: nothing"),
        ("usb:YARD8", [A, B, C], f"2 adapters are usb:YARD8: {TWO}, {THREE}; say which by serial or location"),
        ("usb:location=1-1", [A], f"no adapter is usb:location=1-1; plugged in: {ONE}"),
    ],
)
def test_none_or_two_say_what_is_plugged_in(place, there, says):
    with pytest.raises(AdapterError) as caught:
        device(place, lambda: there)
    assert str(caught.value) == says


def test_a_crowd_is_told_shortly():
    crowd = [Adapter(f"/dev/ttyUSB{i}", "0403", "6001", f"S{i}") for i in range(30)]
    with pytest.raises(AdapterError, match=r"and 24 more$"):
        device("usb:YARD9", lambda: crowd)


def test_the_systems_own_list_can_be_asked():
    assert all(isinstance(it, Adapter) for it in adapters.plugged())


def test_a_pattern_leads_to_one_device(tmp_path):
    (tmp_path / "ttyUSB3").touch()
    (tmp_path / "by-id-a").symlink_to(tmp_path / "ttyUSB3")
    (tmp_path / "by-path-a").symlink_to(tmp_path / "ttyUSB3")
    assert device(f"{tmp_path}/by-*") == str(tmp_path / "ttyUSB3")  # two names of one device are one
    (tmp_path / "by-id-b").touch()
    with pytest.raises(AdapterError, match=r"2 devices are .*ttyUSB3; one is allowed"):
        device(f"{tmp_path}/by-*")
    with pytest.raises(AdapterError, match=r"no device is .*; in .*: by-id-a, by-id-b, by-path-a, ttyUSB3"):
        device(f"{tmp_path}/usb-*")
    with pytest.raises(AdapterError, match="there is no folder"):
        device(f"{tmp_path}/none/usb-*")


class Plug:
    """A pseudo-terminal: what an adapter of the made-up list leads to."""

    def __init__(self) -> None:
        self.near, self.far = os.openpty()
        tty.setraw(self.far)
        self.device = os.ttyname(self.far)
        self.out = False

    def say(self, value):
        """What the sensor says into an adapter that is out goes nowhere."""
        if self.out:
            return
        os.write(self.near, nmea.sentence("II", [nmea.quadruple("H1", "length", value)]))

    def pull(self):
        self.out = True
        os.close(self.near)
        os.close(self.far)


@pytest.mark.fault("adapter-pulled")
@pytest.mark.fault("adapter-renamed")
def test_an_adapter_that_comes_back_under_another_name_is_found_again(wait_until, faults):
    heard, there = Heard(), []
    first, other = Plug(), Plug()
    names = {id(first): first.device, id(other): other.device}
    there[:] = [Adapter(first.device, "0403", "6001", "YARD7", "1-1.2"), Adapter(other.device, "0403", "6001", "YARD8")]
    channel = Channel(name="H", quantity="length", source={"port": "b", "id": "H1"})
    config = NmeaPort(name="b", driver="nmea", url="usb:YARD7")
    port = SerialReader(config, [channel], heard, time.monotonic_ns, plugged=lambda: list(there))
    port.start()
    try:
        wait_until(lambda: heard.links == [True])
        first.say(1.0)
        wait_until(lambda: heard.values("H") == [1.0])
        pulled_ns = time.monotonic_ns()
        first.pull()
        del there[0]
        wait_until(lambda: heard.links == [True, False], 2.0, "the loss")
        first.say(1.5)
        faults["adapter-pulled"].shown(heard.all, config, [channel], pulled_ns)
        taken = Plug()  # the system gives the old name to the next one that comes
        back = Plug()
        assert back.device not in (names[id(first)], names[id(other)])
        there += [
            Adapter(taken.device, "0403", "6001", "YARD5"),
            Adapter(back.device, "0403", "6001", "YARD7", "1-1.4"),
        ]
        back_ns = time.monotonic_ns()
        wait_until(lambda: heard.links == [True, False, True], 10.0, "the return")
        taken.say(5.0)
        other.say(8.0)
        back.say(2.0)
        wait_until(lambda: len(heard.values("H")) == 2)
        assert heard.values("H") == [1.0, 2.0]
        assert port.counters()["reconnects"] == 1
        faults["adapter-pulled"].lost([1.0, 1.5, 2.0], heard.values("H"), befell=[1.5])
        faults["adapter-renamed"].shown(heard.all, config, [channel], back_ns)
        faults["adapter-renamed"].lost([1.0, 2.0], heard.values("H"))
    finally:
        port.stop()
    for plug in (other, taken, back):
        plug.pull()


@pytest.mark.fault("adapters-alike")
def test_two_adapters_alike_are_said_and_not_guessed_between(wait_until, fault):
    heard, plugs = Heard(), [Plug(), Plug()]
    channel = Channel(name="H", quantity="length", source={"port": "b", "id": "H1"})
    there = [Adapter(plug.device, "0403", "6001", "YARD7", f"1-1.{i}") for i, plug in enumerate(plugs)]
    config = NmeaPort(name="b", driver="nmea", url="usb:YARD7")
    port = SerialReader(config, [channel], heard, time.monotonic_ns, plugged=lambda: there)
    begun_ns = time.monotonic_ns()
    port.start()
    try:
        wait_until(lambda: heard.links == [False])
        assert heard.all[0].text.startswith(f"cannot open: 2 adapters are usb:YARD7: {plugs[0].device} (0403:6001")
        fault.shown(heard.all, config, [channel], begun_ns)
        plugs[1].say(1.0)
        del there[0]
        wait_until(lambda: heard.links == [False, True], 10.0)
        plugs[1].say(2.0)
        wait_until(lambda: 2.0 in heard.values("H"))
        fault.lost([1.0, 2.0], heard.values("H"), befell=[1.0])
    finally:
        port.stop()
    for plug in plugs:
        plug.pull()


def test_a_bus_whose_adapter_comes_back_under_another_name_is_found_again(wait_until):
    heard, first = Heard(), Bus({1: {(3, 0): 100}})
    there = [Adapter(os.path.realpath(first.name), "0403", "6001", "YARD7")]
    source = {"port": "b", "station": 1, "holding": 0, "type": "uint16", "unit": "bar", "scale": 0.01}
    channel = Channel(name="P", quantity="pressure", source=source)
    config = ModbusPort(name="b", driver="modbus", url="usb:YARD7", parity="none", every=0.02, timeout=0.1)
    port = ModbusReader(config, [channel], heard, time.monotonic_ns, plugged=lambda: list(there))
    port.start()
    back = None
    try:
        wait_until(lambda: heard.values("P"))
        del there[0]
        first.close()
        wait_until(lambda: heard.links == [True, False], 5.0, "the loss")
        wait_until(lambda: port.counters()["reconnects"] == 0 and len(heard.all) > 1)
        back = Bus({1: {(3, 0): 200}})
        there += [Adapter(os.path.realpath(back.name), "0403", "6001", "YARD7")]
        wait_until(lambda: heard.links == [True, False, True], 10.0, "the return")
        wait_until(lambda: heard.values("P")[-1] == 2e5)
    finally:
        port.stop()
        if back is not None:
            back.close()


def test_two_programs_do_not_each_take_a_part_of_what_a_wire_brings(wait_until):
    plug, first, second = Plug(), Heard(), Heard()
    channel = Channel(name="H", quantity="length", source={"port": "b", "id": "H1"})
    config = NmeaPort(name="b", driver="nmea", url=plug.device)
    ports = [open_port(config, [channel], it, time.monotonic_ns) for it in (first, second)]
    try:
        ports[0].start()
        wait_until(lambda: first.links == [True])
        ports[1].start()
        wait_until(lambda: second.links == [False])
        assert second.all[0].text == f"cannot open: another program has it open ({plug.device})"
        for value in range(50):
            plug.say(float(value))
        wait_until(lambda: len(first.values("H")) == 50)
        ports[0].stop()
        wait_until(lambda: second.links == [False, True], 10.0, "its turn")
    finally:
        for port in ports:
            port.stop()
    plug.pull()
