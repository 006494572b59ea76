"""The whole way, for real: a virtual rig on TCP and a pty whose air the test turns on, and the command in another process.

The gauge that is calibrated reads 0.1 bar too much (invented).
"""

from __future__ import annotations

import contextlib
import json
import re
import subprocess
import sys
import threading
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import pytest

from drivers.reading import Reading
from monitor.calibration.keeping import keep
from monitor.drill.scenario import Scenario
from monitor.drill.sensors import Fault
from monitor.drill.speak import Drill
from monitor.drill.wire import VirtualRig
from monitor.rig.calibrated import curve_of, newest
from monitor.rig.load import RigFaults, parse_rig, read_rig
from replay.journal import read_journal

pytestmark = pytest.mark.wires
TEXT = files("monitor.drill").joinpath("rigs/training-yard.toml").read_text(encoding="utf-8")
GAUGE, BAG, OFF_PA = "S1-lower-p", "S1-lower", 1e4


class Bench:
    """A virtual rig that rests on real wires, one gauge of it off, and the hand on a valve."""

    def __init__(self) -> None:
        rest = {"name": "rest", "title": "t", "story": "s", "move": [{"do": "wait", "seconds": 600}]}
        self.virtual = VirtualRig(parse_rig(TEXT), Scenario.model_validate(rest))
        self.virtual._sensors.faults[GAUGE] = Fault("bias", OFF_PA)
        self.wanted: float | None = None
        where = {"bench": "socket://127.0.0.1:0", "mast": "pty"}
        self.drill = Drill(self.virtual, where, on_step=self._turn)
        self.ports = [word for name, url in self.drill.urls.items() for word in ("--port", f"{name}={url}")]

    @property
    def pressure(self) -> float:
        return self.virtual.truth.bags[BAG].pressure()

    def _turn(self, virtual: VirtualRig) -> None:
        bag = virtual.truth.bags[BAG]
        bag.filling = 0.2 if self.wanted is not None and bag.pressure() < self.wanted else 0.0


@pytest.fixture
def bench() -> Iterator[Bench]:
    it = Bench()
    try:
        it.drill.start()
        yield it
    finally:
        it.drill.stop()


class Program:
    """`inchwatch calibrate` in another process."""

    def __init__(self, folder: Path, *args: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "monitor", "calibrate", *args],
            cwd=folder,
            text=True,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        self.errors: list[str] = []
        self._drain = threading.Thread(target=lambda: self.errors.extend(self.process.stderr), daemon=True)
        self._drain.start()

    def type(self, line: str) -> None:
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def until(self, pattern: str) -> str:
        """The next line on standard output that has this in it."""
        for line in self.process.stdout:
            if re.search(pattern, line):
                return line.rstrip("\n")
        pytest.fail(f"it ended before '{pattern}'; it said {self.errors}")

    def end(self) -> int:
        for _ in self.process.stdout:
            pass
        code = self.process.wait(60)
        self._drain.join()
        for pipe in (self.process.stdin, self.process.stdout, self.process.stderr):
            pipe.close()
        return code


@pytest.fixture
def program(tmp_path):
    with contextlib.ExitStack() as running:

        def start(*args: str) -> Program:
            it = Program(tmp_path, *args)
            running.callback(lambda: it.process.poll() is None and (it.process.kill(), it.end()))
            return it

        yield start


@pytest.fixture
def rig_file(tmp_path):
    path = tmp_path / "yard.toml"
    path.write_text(TEXT)
    return path


def test_a_gauge_is_calibrated_at_the_terminal_and_reads_true_from_then_on(bench, program, rig_file, wait_until):
    it = program("yard.toml", GAUGE, *bench.ports)
    it.until("> who calibrates")
    it.type("A. Trainer (invented)")
    it.until("> one standard deviation of the reference")
    it.type("2 mm")
    it.type("2 mbar")
    it.until("> true value with its unit")
    it.until("^live .* rests")
    for wrong in ("3", "3 kN", "three bar", ""):
        it.type(wrong)
    it.type("0 bar")
    assert "0 bar reads 0.10" in it.until("^point +point 1")
    bench.wanted = 2e5
    it.until("^live .* is moving")
    it.type("2 bar")  # while it moves
    it.until("^live .* rests")
    true = bench.pressure
    it.type(f"{true} Pa")
    it.until("^point +point 2")
    fit = it.until("^fit ")
    it.type("")
    it.until("> keep it")
    it.type("perhaps")
    it.type("y")
    assert "kept in yard.calibration.toml" in it.until("^ended ")
    assert it.end() == 0
    said = "".join(it.errors)
    assert "found '2 mm', allowed is at least 0 with a unit of pressure, such as '2 mbar'" in said
    for wrong in ("3", "3 kN", "three bar"):
        assert f"found '{wrong}', allowed is a pressure such as '8 bar' (Pa, hPa, kPa, MPa, mbar, bar, psi)\n" in said
    assert "found 0 of the two points that a calibration needs at least" in said
    assert f"not taken: {GAUGE} is moving; say the true value again once it rests" in said
    assert "found 'perhaps', allowed is one of  y: keep it" in said
    assert "Traceback" not in said
    assert re.search(r"true = (1\.00\d{3}|0\.99\d{3}) x read - \d+(\.\d+)? mbar; points off it", fit)
    kept = newest(read_rig(rig_file))[GAUGE]
    assert (kept.who, kept.uncertainty.si, len(kept.points)) == ("A. Trainer (invented)", 200.0, 2)
    # A mean of 40 readings of 10 mbar noise is good for 1.6 mbar: five of that.
    assert curve_of(kept).true(true + OFF_PA) == pytest.approx(true, abs=800.0)
    assert 50.0 < kept.spread.si < 400.0


HISTORY = f"""# history
[[calibration]]
channel = "{GAUGE}"
date = 2020-01-02
who = "x"
points = [[0, 0], ["8 bar", "8 bar"]]
uncertainty = "1 mbar\""""


def test_a_program_leads_goes_back_and_leaves_older_calibrations_as_they_were(bench, program, rig_file):
    beside = rig_file.with_name("yard.calibration.toml")
    beside.write_text(HISTORY)
    beside.chmod(0o640)
    it = program("yard.toml", GAUGE, *bench.ports, "--json", "--actions", "-", "--who", "B", "--reference", "0.1 kPa")

    def say(answer: str, **deed: str) -> dict:
        it.type(json.dumps(deed))
        return json.loads(it.until(f'"kind":"{answer}"'))

    assert "OUT OF DATE: was due 2021-01-01" in it.until('"before"')
    assert json.loads(it.until('"ask"'))["may"] == ["point", "back", "done", "quit"]
    it.until('"rests":true')
    assert "no point is there" in say("refused", do="back")["text"]
    assert say("refused", do="write")["text"] == "found 'write', allowed now is one of point, back, done, quit"
    assert "allowed is a line like" in say("refused", what="nonsense")["text"]
    low = bench.pressure
    first = say("point", do="point", true=f"{low} Pa")
    assert first["read"] == pytest.approx(low + OFF_PA, abs=800.0)
    assert first["count"] >= 20
    # The same reading, said to be another value.
    assert say("refused", do="point", true=f"{low + 1e5} Pa")["text"].startswith("not taken: with it the points have ")
    bench.wanted = 2e5
    it.until("is moving")
    it.until('"rests":true')
    assert say("fit", do="point", true=f"{bench.pressure} Pa")["gain"] == pytest.approx(1.0, abs=0.01)
    assert say("back", do="back")["points"] == 1
    again = say("fit", do="point", true=f"{bench.pressure} Pa")
    assert again["straight"] is True
    assert again["sd"] >= 100.0
    assert say("ask", do="done")["stage"] == "confirm"
    assert say("ask", do="back")["stage"] == "points"
    assert say("ask", do="done")["stage"] == "confirm"
    assert say("ended", do="write")["file"] == "yard.calibration.toml"
    assert it.end() == 0
    assert beside.read_text().startswith(HISTORY)
    assert beside.stat().st_mode & 0o777 == 0o640
    rig = read_rig(rig_file)
    assert [one.who for one in rig.calibration] == ["x", "B"]
    assert newest(rig)[GAUGE].who == "B"
    assert sorted(path.name for path in rig_file.parent.iterdir()) == ["yard.calibration.toml", "yard.toml"]


@pytest.mark.parametrize("leave", ["q", ""])
def test_who_leaves_before_the_end_changes_nothing(bench, program, rig_file, leave):
    beside = rig_file.with_name("yard.calibration.toml")
    beside.write_text(HISTORY)
    it = program("yard.toml", GAUGE, *bench.ports, "--who", "two\tnames")
    it.until("> who calibrates")  # that was no name
    if leave:
        it.type(leave)
    else:
        it.process.stdin.close()
    assert "nothing was kept" in it.until("^ended ")
    assert it.end() == 1
    assert beside.read_text() == HISTORY


def test_a_file_beside_that_was_spoilt_meanwhile_is_left_as_it_is(rig_file):
    beside = rig_file.with_name("yard.calibration.toml")
    keep(rig_file, HISTORY)
    assert newest(read_rig(rig_file))[GAUGE].who == "x"
    beside.write_text("nonsense")
    with pytest.raises(RigFaults, match=r"yard\.calibration\.toml:1: found 'nonsense'; allowed is TOML"):
        keep(rig_file, HISTORY)
    assert beside.read_text() == "nonsense"


@pytest.mark.fault("calibration-out-of-date")
def test_a_calibration_goes_with_the_recording_and_an_old_one_is_a_caution_there(
    bench, rig_file, typed, tmp_path, fault
):
    rig_file.with_name("yard.calibration.toml").write_text(
        f'[[calibration]]\nchannel = "{GAUGE}"\ndate = 2020-01-02\nwho = "x"\n'
        'points = [["0.1 bar", "0 bar"], ["8.1 bar", "8 bar"]]\nuncertainty = "2 mbar"\n'
    )
    kept = tmp_path / "kept.jsonl"
    ran = typed("run", str(rig_file), "--headless", "--json", "--for", "4s", "--record", str(kept), *bench.ports)
    assert ran.code == 0
    lines = [json.loads(line) for line in ran.out.splitlines()]
    sensor = [it for it in lines if it["kind"] == "picture"][-1]["sensors"][GAUGE]
    assert sensor["value"] == pytest.approx(bench.pressure, abs=5e3)
    assert sensor["calibration_sd"] == pytest.approx(200.0, rel=0.01)  # it trembles about the lowest point
    assert "OUT OF DATE" not in ran.out
    alone = tmp_path / "elsewhere" / "kept.jsonl"
    alone.parent.mkdir()
    kept.rename(alone)
    assert "2020-01-02" in read_journal(alone).header.rig
    verdict = json.loads(typed("judge", "--json", str(alone)).out)
    (old,) = [it for it in verdict["alarms"] if it["rule"] == "calibration-old"]
    assert old["text"] == f"CAUTION calibration-old {GAUGE}: was due 2021-01-01 - check it, calibrate"
    assert verdict["same_as_live"] is True
    fault.replayed(alone, 0)
    numbers = [it.sequence for it in read_journal(alone).lines() if isinstance(it, Reading) and it.channel == GAUGE]
    fault.lost(list(range(numbers[-1] + 1)), numbers)


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("nothing",), "found 'nothing', allowed is a channel of yard.toml: S1-lower-p"),
        (("nothing", "--record", "it.jsonl"), "found 'nothing', allowed is a channel of yard.toml: S1-lower-p"),
        ((GAUGE, "--valid-for", "a year"), "--valid-for: found 'a year', allowed is a whole number of days"),
        ((GAUGE, "--port", "x"), "--port: found 'x', allowed is NAME=URL"),
    ],
)
def test_a_wrong_call_is_a_sentence(rig_file, typed, monkeypatch, args, says):
    monkeypatch.chdir(rig_file.parent)
    ended = typed("calibrate", "yard.toml", *args)
    assert ended.code == 2
    assert says in ended.err
    assert not Path("it.jsonl").exists(), "nothing was heard that could be kept"
