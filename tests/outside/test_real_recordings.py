"""Real sensors' recordings, played through the real driver over a real socket into the engine's own judgement of channels.

INCHWATCH_REAL_DATA names a directory that holds them; none of them is part of this project, and each test is skipped where
its own is missing. Looked for there:

- `*.log`: a sailing boat under way, 2018; the log of a marine display among the daemon tests of gpsd (BSD-2-Clause);
- `*sensors.csv`: an inertial unit with a barometer, moved by hand and put down; test data of scikit-kinematics 0.10.4
  (BSD-3-Clause);
- `Hotin.cnv`, `PIRA001.cnv`: two underwater pressure sensors; sampledata/CTD of a Python package for such casts (BSD-3-Clause).

The boat's sentences go over the wire byte for byte. The tables hold numbers, no sentences: there each row is put on the
wire as an XDR sentence with the row's own digits. The driver's clock is the recording's, so that an hour takes no time.
"""

import csv
import itertools
import math
import os
import queue
import socket
import statistics
from decimal import Decimal
from functools import reduce
from operator import xor
from pathlib import Path

import pytest

from drivers.config import Channel
from drivers.kinds.nmea import NmeaPort
from drivers.ports import open_port
from drivers.reading import Reading
from monitor.engine.channels import ChannelState
from monitor.engine.picture import SensorStatus

WHERE = "INCHWATCH_REAL_DATA"
SECOND = 1_000_000_000


def real(name):
    folder = os.environ.get(WHERE)
    if not folder:
        pytest.skip(f"{WHERE} is not set; it names a directory with real recordings, here {name}")
    found = sorted(Path(folder).glob(name))
    if not found:
        pytest.skip(f"the directory that {WHERE} names holds no {name}")
    return found[0]


def channel(name, quantity, **more):
    return Channel(name=name, quantity=quantity, source={"port": "wire", "id": name}, **more)


def sentence(*quadruples):
    body = f"IIXDR,{','.join(quadruples)}".encode("ascii")
    return b"$%s*%02X\r\n" % (body, reduce(xor, body))


class Wire:
    """The real driver at one end of a TCP connection, a recording at the other."""

    def __init__(self, channels):
        self.states = {it.name: ChannelState(it) for it in channels}
        self.readings = {it.name: [] for it in channels}
        self.statuses = set()
        self._said = queue.Queue()
        self._now = 0
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(10.0)
        url = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
        self.port = open_port(
            NmeaPort(name="wire", driver="nmea", url=url), channels, self._said.put, lambda: self._now
        )
        self.port.start()
        self._far = self._server.accept()[0]
        assert self._said.get(timeout=10.0).up  # what is sent before is flushed as the line is opened

    def play(self, time_s, data, count):
        """Send bytes at a moment of the recording; the channels take the `count` readings that come of it."""
        self._now = round(time_s * SECOND)
        self._far.sendall(data)
        while count:
            it = self._said.get(timeout=10.0)
            assert isinstance(it, Reading)
            count -= 1
            assert it.time_ns == self._now
            self.readings[it.channel].append(it.value)
            self.states[it.channel].take(it)
        self.statuses |= {state.status(self._now) for state in self.states.values()}

    def close(self):
        self._far.close()
        self._server.close()
        self.port.stop()


@pytest.fixture
def wire():
    made = []

    def make(*channels):
        made.append(Wire(channels))
        return made[-1]

    yield make
    for it in made:
        it.close()


def of_the_boat():
    """(time of day in s, all sentences up to and with one XDR) as the log has them: its time is that of the last fix."""
    waiting, now = b"", None
    for line in real("*.log").read_bytes().splitlines(keepends=True):
        if line.startswith(b"#"):
            continue
        waiting += line
        if line[3:6] == b"RMC":
            clock = line.split(b",")[1]
            now = 3600 * int(clock[:2]) + 60 * int(clock[2:4]) + int(clock[4:6])
        elif line[3:6] == b"XDR":
            yield now, waiting
            waiting = b""
    yield now, waiting


def test_a_boat_under_way(wire):
    # 148 XDR sentences with heel and trim; air temperature and barometer are named and always empty.
    channels = [channel(name, "angle", stale_after=3.0, range=(-1.0, 1.0)) for name in ("HEEL", "TRIM")]
    channels += [channel("AIRTEMP", "temperature"), channel("BARO", "pressure")]
    it = wire(*channels)
    *groups, rest = of_the_boat()
    first = groups[1][0]
    moving = 0
    for time_s, data in groups:
        it.play((first - 1 if time_s is None else time_s) - first + 1, data, 2)
        moving += any("moving" in it.states[name].why_not_zero(it._now) for name in ("HEEL", "TRIM"))
    assert it.statuses == {SensorStatus.OK, SensorStatus.NEVER_SEEN}
    it.play(200.0, rest[1] + sentence("A,1.0,D,HEEL"), 1)  # a last word, after which all of the log has been read
    heel, trim = ([math.degrees(v) for v in it.readings[name][:148]] for name in ("HEEL", "TRIM"))
    # Mean and standard deviation of the log's own 148 numbers, worked out beforehand from its text alone.
    assert (len(heel), len(trim)) == (148, 148)
    assert (statistics.fmean(heel), statistics.pstdev(heel)) == pytest.approx((-1.1142, 1.7424), abs=5e-5)
    assert (statistics.fmean(trim), statistics.pstdev(trim)) == pytest.approx((3.7595, 1.3368), abs=5e-5)
    assert (min(heel), max(heel)) == pytest.approx((-4.9, 4.5))
    counts = it.port.counters()
    assert counts["empty"] == 2 * 148
    assert counts["unknown_id"] == 148  # the rudder, which nobody asked for
    assert counts["other"] == 4999 - 148
    assert sum(counts[name] for name in ("bad_checksum", "no_checksum", "malformed", "mislabelled")) == 0
    assert it.readings["AIRTEMP"] == it.readings["BARO"] == []
    assert moving > 120, "no zero is taken on a rolling boat"


def of_the_inertial_unit():
    """(time, tilt about its y axis from the accelerometer in degrees, barometer as written in hPa) of each row."""
    with real("*sensors.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            x, y, z = (float(row[f"Accelerometer {axis} (g)"]) for axis in "XYZ")
            yield float(row["Time (s)"]), math.degrees(math.atan2(x, math.hypot(y, z))), row["Barometer (hPa)"]


def test_an_inertial_unit_that_is_put_down(wire):
    # Shaken for the first four seconds, then left alone. Its noise is stated as a rig file would state it: 0.15 degrees.
    tilt = channel("TILT", "angle", noise="0.15 deg", range=("-90 deg", "90 deg"))
    baro = channel("BARO", "pressure", noise="1 Pa", range=("900 hPa", "1100 hPa"))
    it = wire(tilt, baro)
    rows = list(of_the_inertial_unit())
    assert len(rows) == 499
    at_rest = []
    for time_s, degrees, hpa in rows:
        if not it.states["TILT"].baseline and time_s >= 6.5:
            assert it.states["TILT"].why_not_zero(it._now) == it.states["BARO"].why_not_zero(it._now) == ""
            for state in it.states.values():
                state.take_zero()
        if 2.1 < time_s < 3.0:
            assert "moving" in it.states["TILT"].why_not_zero(it._now)
        it.play(time_s, sentence(f"A,{degrees:.6f},D,TILT", f"P,{Decimal(hpa) / 1000},B,BARO"), 2)
        if time_s >= 6.5:
            at_rest.append((it.states["TILT"].since_zero(it._now), it.states["TILT"].rate(it._now)))
    assert [math.degrees(v) for v in it.readings["TILT"]] == pytest.approx([d for _, d, _ in rows], abs=1e-6)
    assert it.readings["BARO"] == pytest.approx([float(hpa) * 100.0 for _, _, hpa in rows], rel=1e-12)
    assert statistics.fmean(it.readings["BARO"]) == pytest.approx(98474.74, abs=0.01)
    assert it.statuses == {SensorStatus.OK}
    assert max(abs(math.degrees(angle)) for angle, _ in at_rest) < 0.1
    assert max(abs(math.degrees(rate)) for _, rate in at_rest) < 0.3
    assert it.states["BARO"].since_zero(it._now) == pytest.approx(0.0, abs=2.0)


def of_a_cast(name, columns):
    """The rows of a converted cast after its header, as texts."""
    lines = real(name).read_text(encoding="latin-1").splitlines()
    rows = [line.split() for line in lines[lines.index("*END*") + 1 :]]
    return [row for row in rows if len(row) == columns]


def test_a_pressure_sensor_in_waves(wire):
    # A quartz sensor just below the surface, 24 rows a second, in decibars (0.1 bar) against the air. Its noise stated as
    # 3 mbar, half its step (invented): with ten, the crest of a wave, level for two seconds, passes for rest.
    rows = [row[3] for row in of_a_cast("PIRA001.cnv", 11)]
    assert len(rows) == 282
    it = wire(channel("P", "pressure", noise="3 mbar", range=("-1 bar", "10 bar")))
    moving = 0
    for k, dbar in enumerate(rows):
        it.play(k * 0.0416667, sentence(f"P,{Decimal(dbar) / 10},B,P"), 1)
        moving += "moving" in it.states["P"].why_not_zero(it._now)
    assert it.readings["P"] == pytest.approx([float(dbar) * 1e4 for dbar in rows], rel=1e-12)
    assert (min(it.readings["P"]), max(it.readings["P"])) == pytest.approx((2470.0, 22360.0))
    assert it.statuses == {SensorStatus.OK}
    assert moving == 282 - 48, "no zero is taken in waves"


def test_a_pressure_sensor_let_down_and_drawn_up(wire):
    # A strain gauge, a row each quarter of a metre: one to ninety-two seconds apart, up to 1.41 bar. Some neighbours stand
    # in the table in the order of depth, not of time; here they come as they were.
    rows = sorted((float(row[1]), row[2]) for row in of_a_cast("Hotin.cnv", 11))
    assert len(rows) == 111
    patient = channel("P", "pressure", stale_after=100.0, range=("-1 bar", "10 bar"))
    it = wire(patient)
    hasty = ChannelState(patient.model_copy(update={"stale_after": 2.0}))
    gaps = 0
    for (time_s, dbar), (next_s, _) in itertools.pairwise([*rows, (rows[-1][0], "")]):
        it.play(time_s, sentence(f"P,{Decimal(dbar) / 10},B,P"), 1)
        hasty.take(it.states["P"].last)
        late = next_s - time_s > 2.0
        gaps += late
        assert hasty.status(round(next_s * SECOND)) is (SensorStatus.STALE if late else SensorStatus.OK)
    assert gaps > 3
    assert it.readings["P"] == pytest.approx([float(dbar) * 1e4 for _, dbar in rows], rel=1e-12)
    assert max(it.readings["P"]) == pytest.approx(1.4119e5)
    assert it.statuses == {SensorStatus.OK}
    # What is shown follows the table, less the filter's lag.
    assert it.states["P"].value(it._now) == pytest.approx(it.readings["P"][-1], abs=3000.0)
