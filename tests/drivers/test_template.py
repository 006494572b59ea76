"""A driver from elsewhere: the template, installed, is read, opened and does what every driver must; a broken one harms nobody."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import socket
import subprocess
import sys
import threading
import tomllib
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path

import pytest

from drivers import nmea
from drivers.kinds.nmea import NmeaSource
from drivers.reading import Reading
from monitor.rig.checks import references
from monitor.rig.load import parse_rig
from replay.recording import read_recording

ROOT = Path(__file__).resolve().parents[2]
TEMPLATE = ROOT / "tests" / "drivers" / "template"
YARD = files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8")
TALLY = re.sub(r'driver = "nmea"\nurl = .*\nchecksum = .*', 'driver = "tally"\nhost = "127.0.0.1"\nport = 4001', YARD)


def distribution(into: Path, name: str, points: dict[str, str], modules: dict[str, str]) -> None:
    """Put a distribution there by hand: its modules, its metadata, its entry points."""
    info = into / f"{name.replace('-', '_')}-1.0.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n")
    lines = "".join(f"{key} = {value}\n" for key, value in points.items())
    (info / "entry_points.txt").write_text(f"[inchwatch.drivers]\n{lines}")
    for module, text in modules.items():
        (into / f"{module}.py").write_text(text)


@pytest.fixture(scope="module")
def installed(tmp_path_factory) -> Path:
    """A folder in which the template is installed: by pip, or where nothing builds wheels here, put there by hand."""
    folder = tmp_path_factory.mktemp("installed")
    source = shutil.copytree(TEMPLATE, folder / "source", ignore=shutil.ignore_patterns("__pycache__"))
    into = folder / "site"
    if find_spec("pip") and find_spec("hatchling"):
        call = [sys.executable, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-index"]
        call += ["--no-deps", "--no-build-isolation", "--target", str(into), str(source)]
        ran = subprocess.run(call, capture_output=True, text=True, check=False, timeout=100)
        assert ran.returncode == 0, ran.stderr
    else:
        project = tomllib.loads((source / "pyproject.toml").read_text())["project"]
        distribution(into, project["name"], project["entry-points"]["inchwatch.drivers"], {})
        shutil.copytree(source / "inchwatch_tally", into / "inchwatch_tally")
    assert (into / "inchwatch_tally-1.0.dist-info" / "entry_points.txt").is_file()
    return into


def ran(sites: list[Path], *words: str) -> subprocess.CompletedProcess[str]:
    """A program with `sites` among the places of its packages."""
    path = os.pathsep.join(filter(None, [*map(str, sites), os.environ.get("PYTHONPATH")]))
    env = {**os.environ, "PYTHONPATH": path}
    call = [sys.executable, "-m", *words]
    return subprocess.run(call, cwd=ROOT, env=env, capture_output=True, text=True, check=False, timeout=100)


def test_a_rig_file_may_name_an_installed_driver(installed, tmp_path):
    rig = tmp_path / "tally.toml"
    rig.write_text(TALLY)
    it = ran([installed], "monitor", "check", str(rig))
    assert (it.returncode, it.stderr) == (0, "")
    assert "yard-panel" in it.stdout
    rig.write_text(TALLY.replace('id = "P1"', 'id = "p1"').replace("port = 4001", "port = 0"))
    it = ran([installed], "monitor", "check", str(rig))
    assert it.returncode == 1
    assert "channel[0].source.id (S1-lower-p): found 'p1'" in it.stderr
    assert "port[0].port (bench): found 0" in it.stderr


def test_one_that_is_not_installed_is_a_sentence(tmp_path):
    rig = tmp_path / "tally.toml"
    rig.write_text(TALLY)
    it = ran([tmp_path], "monitor", "check", str(rig))
    assert it.returncode == 1
    assert "port[0].driver (bench): found 'tally'; allowed is one of the drivers that are installed: " in it.stderr


def test_its_port_is_opened_and_its_readings_come(installed, tmp_path):
    """`run` reads 30 values from a real connection and counts them at its end."""
    rig = tmp_path / "tally.toml"
    rig.write_text(TALLY)
    server = socket.create_server(("127.0.0.1", 0))
    server.settimeout(60.0)

    def serve() -> None:
        client, _ = server.accept()
        with client:
            client.sendall(b"".join(b"P1 %d\n" % (1000 * i) for i in range(30)))
            client.settimeout(60.0)
            client.recv(1)  # until the other side hangs up

    box = threading.Thread(target=serve)
    box.start()
    try:
        where = f"bench=127.0.0.1:{server.getsockname()[1]}"
        it = ran(
            [installed],
            "monitor",
            "run",
            str(rig),
            "--headless",
            "--for",
            "2s",
            "--no-record",
            "--port",
            where,
            "--json",
        )
    finally:
        box.join(60.0)
        server.close()
    assert it.returncode == 0, it.stderr
    assert "bench: 30 good" in it.stderr.splitlines()
    assert re.search(r'"S1-lower-p":\s*{[^}]*"value":\s*29000.0', it.stdout)


def test_it_does_what_every_driver_must(installed):
    """The template's own tests, as its README line says, in a program that has it installed."""
    it = ran([installed], "pytest", "-p", "no:cacheprovider", "-o", "addopts=--import-mode=importlib", str(TEMPLATE))
    assert it.returncode == 0, it.stdout
    assert re.search(r"\b9 passed\b", it.stdout), it.stdout


CLUMSY = """
from typing import Literal
from drivers.driver import Driver, nothing_more
from drivers.tables import PortTable, SourceTable

class P(PortTable):
    driver: Literal["NAME"]

def fails(*_):
    raise KeyError("no such\\n thing")

DRIVER = Driver("NAME", "", P, SourceTable, fails, fails, FAULTS)
"""


@pytest.mark.fault("driver-fails-on-channels")
@pytest.mark.fault("driver-fails-on-opening")
def test_a_driver_that_fails_when_it_is_used_is_a_sentence_and_the_others_work(tmp_path, faults):
    """One fails on judging its channels, one on opening its port, beside which another is read."""
    for name, judges in (("judges", "fails"), ("opens", "nothing_more")):
        text = CLUMSY.replace("NAME", name).replace("FAULTS", judges)
        distribution(tmp_path, f"its-{name}", {name: f"{name}_it:DRIVER"}, {f"{name}_it": text})
    rig = tmp_path / "rig.toml"
    rig.write_text(YARD + '[[port]]\nname = "x"\ndriver = "judges"\n')
    it = ran([tmp_path], "monitor", "check", str(rig))
    faults["driver-fails-on-channels"].printed(it.stderr)
    faults["driver-fails-on-channels"].refused(it.returncode)
    assert it.returncode == 1
    assert "port[2].driver (x): found 'judges', which fails on these channels (KeyError: 'no such" in it.stderr
    assert len(it.stderr.splitlines()) == 2
    rig.write_text(YARD + '[[port]]\nname = "x"\ndriver = "opens"\n')
    kept = tmp_path / "kept.jsonl"
    call = ["run", str(rig), "--headless", "--for", "5s", "--record", str(kept), "--json"]
    it = ran([tmp_path], "monitor", *call, "--port", "x=there")
    assert it.returncode == 2
    assert "port 'x': found 'there'; its driver fails on it (KeyError" in it.stderr
    sent = [0.3 + 0.001 * n for n in range(20)]
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(60.0)
        box = threading.Thread(target=_say, args=(server, sent))
        box.start()
        it = ran([tmp_path], "monitor", *call, "--port", f"bench=socket://127.0.0.1:{server.getsockname()[1]}")
        box.join(60.0)
    assert it.returncode == 0, it.stderr
    assert "Traceback" not in it.stderr
    alarms = [one for line in it.stdout.splitlines() if (one := json.loads(line))["kind"] == "alarm"]
    faults["driver-fails-on-opening"].told(alarms)
    readings = [it for it in read_recording(kept).lines() if isinstance(it, Reading) and it.channel == "H1"]
    faults["driver-fails-on-opening"].lost(sent, [round(it.value, 3) for it in readings])


def _say(server: socket.socket, values: list[float]) -> None:
    """Values of H1 to the first who calls, until he hangs up: opening a socket drops what is there already."""
    said = b"".join(nmea.sentence("II", [nmea.quadruple("H1", "length", value)]) for value in values)
    client, _ = server.accept()
    with client, contextlib.suppress(ConnectionError):
        client.settimeout(0.2)
        while True:
            client.sendall(said)
            with contextlib.suppress(TimeoutError):
                if not client.recv(1):
                    return


UNREADABLE = """
from typing import Literal
from pydantic import field_validator, model_validator
from drivers.driver import Driver
from drivers.tables import PortTable, SourceTable

class P(PortTable):
    driver: Literal["odd"]
    url: str = ""

    @field_validator("url")
    @classmethod
    def looks(cls, it):
        return {"there": it}[it]

class S(SourceTable):
    id: str

    @model_validator(mode="after")
    def fits(self):
        if self.id == "wild":
            raise RuntimeError("no\\n such id")
        return self

DRIVER = Driver("odd", "", P, S, None, None)
"""


@pytest.mark.fault("driver-fails-on-tables")
def test_a_driver_whose_tables_fail_as_no_validator_should_is_a_sentence(tmp_path, fault):
    """Validators may raise ValueError; these raise what a slip of the pen does. Each fault is said, others besides."""
    distribution(tmp_path, "its-odd", {"odd": "odd_it:DRIVER"}, {"odd_it": UNREADABLE})
    rig = tmp_path / "rig.toml"
    text = YARD + '[[port]]\nname = "x"\ndriver = "odd"\nurl = "here"\n'
    text += '[[channel]]\nname = "wild"\nquantity = "length"\nsource = { port = "x", id = "wild" }\n'
    rig = tmp_path / "rig.toml"
    rig.write_text(text.replace('quantity = "angle"', 'quantity = "angel"', 1))
    it = ran([tmp_path], "monitor", "check", str(rig))
    fault.printed(it.stderr)
    fault.refused(it.returncode)
    assert "port[2].driver (x): found 'odd', which fails on this table (KeyError: 'here')" in it.stderr
    assert "channel[15].source (wild): found 'odd', which fails on this table (RuntimeError: no such id)" in it.stderr
    assert "'angel'" in it.stderr, "what else is wrong is said as well"
    assert len(it.stderr.splitlines()) == 4, it.stderr


def test_a_driver_that_fails_on_where_a_value_stands_is_a_sentence():
    class Odd(NmeaSource):
        def place(self):
            return [self.id][1:][0]

    rig = parse_rig(YARD)
    odd = rig.channel[0].model_copy(update={"source": Odd(port="bench", id="P1")})
    (fault,) = references(rig.model_copy(update={"channel": [odd, *rig.channel[1:]]}))
    assert fault == (
        ("channel", 0, "source"),
        "'nmea', which fails on the place of this source (IndexError: list index out of range)",
        "a driver that can tell it from others",
    )


def _table(name: str) -> str:
    return (
        "from typing import Literal\nfrom drivers.driver import Driver\nfrom drivers.tables import PortTable, SourceTable\n"
        f"class P(PortTable):\n    driver: Literal['{name}']\n"
    )


BROKEN = {
    # what a rig file names: (modules' texts, what the fault says)
    "raises": (
        "raise RuntimeError('no\\n  licence')",
        r"found RuntimeError \(no licence\) on loading 'raises_it:DRIVER'",
    ),
    "leaves": ("import sys\nsys.exit('goodbye')", r"found SystemExit \(goodbye\)"),
    "torn": ("def (", r"found SyntaxError"),
    "lacks": ("", r"found AttributeError"),
    "text": ("DRIVER = 'lines'", r"found a str; allowed is a drivers.driver.Driver"),
    "other": (
        _table("x") + "DRIVER = Driver('x', '', P, SourceTable, None, None)",
        r"found a driver that calls itself 'x'",
    ),
    "anyone": (
        _table("anyone") + "DRIVER = Driver('anyone', '', PortTable, SourceTable, None, None)",
        r"its 'driver' must be Literal\['anyone'\]",
    ),
    "tables": (
        _table("tables") + "DRIVER = Driver('tables', '', P, dict, None, None)",
        r"allowed is a subclass of SourceTable",
    ),
    "nothing": (
        _table("nothing") + "DRIVER = Driver('nothing', '', None, SourceTable, None, None)",
        r"subclass of PortTable",
    ),
}


@pytest.fixture(scope="module")
def broken(tmp_path_factory) -> Path:
    """A folder in which every kind of broken driver is installed, and two of one name, and one whose module is missing."""
    into = tmp_path_factory.mktemp("broken")
    for name, (text, _) in BROKEN.items():
        distribution(into, f"its-{name}", {name: f"{name}_it:DRIVER"}, {f"{name}_it": text})
    distribution(into, "its-gone", {"gone": "no_such_module_at_all:DRIVER"}, {})
    good = _table("twice") + "DRIVER = Driver('twice', '', P, SourceTable, None, None)"
    distribution(into, "first-of-two", {"twice": "twice_it:DRIVER"}, {"twice_it": good})
    distribution(into, "second-of-two", {"twice": "twice_too:DRIVER"}, {"twice_too": good})
    return into


def test_a_broken_driver_is_a_sentence_for_each_rig_file_that_names_it(broken, tmp_path):
    said = {name: says for name, (_, says) in BROKEN.items()} | {
        "gone": r"found ModuleNotFoundError",
        "twice": r"of first-of-two 1.0: found 2 drivers of this name; one is allowed",
    }
    rig = tmp_path / "rig.toml"
    rig.write_text(YARD + "".join(f'[[port]]\nname = "{name}"\ndriver = "{name}"\n' for name in said))
    it = ran([broken], "monitor", "check", str(rig))
    assert it.returncode == 1
    assert it.stdout == ""
    faults = it.stderr.splitlines()
    assert len(faults) == len(said) + 1, it.stderr
    for name, says in said.items():
        (fault,) = [line for line in faults if f"({name}): found '{name}'" in line]
        assert re.search(says, fault)
        assert f"driver '{name}' of " in fault


def test_where_broken_drivers_are_installed_everything_else_works(broken, installed, tmp_path):
    rig = tmp_path / "tally.toml"
    for text in (YARD, TALLY):
        rig.write_text(text)
        it = ran([broken, installed], "monitor", "check", str(rig))
        assert (it.returncode, it.stderr) == (0, "")
        assert "yard-panel" in it.stdout
