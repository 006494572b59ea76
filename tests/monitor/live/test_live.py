"""The whole way, for real: a drill speaks on TCP, a pty and a broker, the command line watches, the journal is judged."""

from __future__ import annotations

import json
import os
import random
import re
import signal
import subprocess
import sys
import threading
from bisect import bisect
from importlib.resources import files
from pathlib import Path

import pytest

pytestmark = pytest.mark.wires
COMMAND = [sys.executable, "-m", "monitor"]
RIG = str(files("monitor.drill").joinpath("rigs/yard-panel.toml"))


WRONG_BAG = """
name = "wrong-bag"
title = "The lower bag is filled first, and nothing more"
story = "The crew opens the lower bag and notices nothing; it is over before the plan is."
must = [{ rule = "bag-order", about = "S1-lower", priority = "danger" }]
move = [
    { do = "wait", seconds = "9 s" },
    { do = "fill", bag = "S1-lower", opening = 0.5, seconds = "4 s" },
    { do = "wait", seconds = "1 s" },
]
"""


class Program:
    """A command of ours in another process; its output lines are read as they come."""

    def __init__(self, *args: str, folder: Path, stdin: bool = False) -> None:
        self.process = subprocess.Popen(
            [*COMMAND, *args],
            cwd=folder,
            text=True,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            stdin=subprocess.PIPE if stdin else subprocess.DEVNULL,
        )
        self.lines: list[str] = []
        self.errors: list[str] = []
        self._readers = [
            threading.Thread(target=self._read, args=it, daemon=True)
            for it in ((self.process.stdout, self.lines), (self.process.stderr, self.errors))
        ]
        for reader in self._readers:
            reader.start()

    @staticmethod
    def _read(stream, into: list[str]) -> None:
        with stream:
            for line in stream:
                into.append(line.rstrip("\n"))

    @property
    def objects(self) -> list[dict]:
        return [json.loads(line) for line in list(self.lines)]

    def kind(self, kind: str) -> list[dict]:
        return [it for it in self.objects if it["kind"] == kind]

    def raised(self) -> list[str]:
        return [f"{a['rule']} {a['about']}" for a in self.kind("alarm") if a["state"] == "unacknowledged"]

    def wait(self, seconds: float = 90.0) -> int:
        code = self.process.wait(seconds)
        for reader in self._readers:
            reader.join()
        return code

    def end(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.wait()
        if self.process.stdin is not None:
            self.process.stdin.close()


@pytest.fixture
def program(tmp_path):
    running: list[Program] = []

    def start(*args: str, stdin: bool = False) -> Program:
        running.append(Program(*args, folder=tmp_path, stdin=stdin))
        return running[-1]

    yield start
    for it in running:
        it.end()


@pytest.fixture
def drill(program, broker, wait_until):
    """A drill of the example rig on a free TCP port and the broker; gives the program and the --port arguments."""

    def start(name: str, serial: str = "socket://127.0.0.1:0", *more: str) -> tuple[Program, list[str]]:
        it = program("drill", name, "--json", "--port", f"bench={serial}", "--port", f"yard-net={broker.url}", *more)
        wait_until(lambda: it.lines, 20.0, "the drill")
        ports = json.loads(it.lines[0])["ports"]
        return it, [word for name, url in ports.items() for word in ("--port", f"{name}={url}")]

    return start


def near_the_truth(pictures: list[dict], truth: list[dict]) -> None:
    times = [line["utc"] for line in truth]
    compared = 0
    for picture in pictures:
        at = bisect(times, picture["utc"])
        if picture["load"]["rise_m"] is None or not 0 < at < len(truth):
            continue
        assert picture["load"]["rise_m"] == pytest.approx(truth[at]["rise_m"], abs=0.004)
        assert picture["load"]["tilt_x_rad"] == pytest.approx(truth[at]["tilt_x_rad"], abs=0.0015)
        compared += 1
    assert compared >= 10


@pytest.mark.broker
def test_a_lift_from_bytes_to_verdict(program, drill, tmp_path, judged):
    _, ports = drill("clean", "socket://127.0.0.1:0", "--truth", "truth.jsonl")
    run = program("run", RIG, "--headless", "--json", "--for", "40s", "--record", "lift.jsonl", *ports)
    assert run.wait() == 0
    assert all("Traceback" not in line for line in run.errors)
    pictures = run.kind("picture")
    assert [round(p["t"]) for p in pictures] == list(range(len(pictures)))
    assert len(pictures) in (40, 41)
    near_the_truth(pictures, [json.loads(line) for line in (tmp_path / "truth.jsonl").read_text().splitlines()])
    assert run.raised() == []
    assert pictures[-1]["step"] >= 4
    assert {s["status"] for s in pictures[-1]["sensors"].values()} == {"ok"}
    (verdict,) = judged(tmp_path / "lift.jsonl")
    assert verdict["same_as_live"] is True
    assert verdict["complete"] is True
    assert verdict["damage"] is None
    assert verdict["seconds"] == pytest.approx(40.0, abs=1.0)
    assert verdict["alarms"] == []
    assert [step["do"] for step in verdict["steps"]][:3] == ["fill", "capture", "fill"]
    assert verdict["peaks"]["rise_m"] > 0.1
    load = verdict["load"]
    assert load["weight_n"] == pytest.approx(56e3, rel=0.03), "the panel's own weight, from the bags' forces"
    assert load["moment_nm"] == pytest.approx(56e3 * 2.4, rel=0.04)
    assert load["tip_rad"] is None, "in three degrees nothing can be said of where it goes over"


@pytest.mark.broker
def test_a_pty_is_a_serial_line(program, drill, tmp_path, wait_until):
    (tmp_path / "wrong-bag.toml").write_text(WRONG_BAG)
    _, ports = drill("wrong-bag.toml", "pty")
    assert ports[1].startswith("bench=/dev/")
    run = program("run", RIG, "--headless", "--json", "--no-record", *ports)
    wait_until(run.raised, 40.0, "the alarm")
    run.process.send_signal(signal.SIGINT)
    assert run.wait() == 0
    assert run.raised() == ["bag-order S1-lower"]
    assert run.errors[0] == "not recording"
    assert re.fullmatch(r"bench: \d+ good", run.errors[1])
    assert run.errors[2].startswith("yard-net: ")


@pytest.mark.broker
def test_a_pulled_cable_and_a_restarted_broker_are_said_and_mend_themselves(
    program, drill, broker, tmp_path, wait_until, judged
):
    """Both wires are cut and mended mid-run: each is said within two seconds, readings come again, nothing crashes."""
    feed, ports = drill("clean")
    serial = ports[1].removeprefix("bench=")
    run = program("run", RIG, "--headless", "--json", "--record", "cut.jsonl", *ports)
    wait_until(lambda: run.kind("picture") and run.kind("picture")[-1]["load"]["rise_m"] is not None, 30.0, "the zero")

    def link(name: str, state: str) -> bool:
        return any((a["rule"], a["about"], a["state"]) == ("link-lost", name, state) for a in run.kind("alarm"))

    def fresh(*sensors: str) -> bool:
        last = run.kind("picture")[-1]["sensors"]
        return all(last[name]["status"] == "ok" for name in sensors)

    feed.end()
    wait_until(lambda: link("bench", "unacknowledged"), 2.0, "the lost cable")
    program("drill", "clean", "--port", f"bench={serial}", "--port", f"yard-net={broker.url}")
    wait_until(lambda: link("bench", "returned-unacknowledged"), 20.0, "the cable's return")
    wait_until(lambda: fresh("H1", "load-x"), 20.0, "fresh readings")
    broker.stop()
    wait_until(lambda: link("yard-net", "unacknowledged"), 2.0, "the lost broker")
    wait_until(lambda: run.kind("picture")[-1]["stacks"]["S1"]["lean_m"] is None, 10.0, "a lean that is not known")
    assert any(it["rule"] == "lean" for it in run.kind("picture")[-1]["unknown"])
    broker.start()
    wait_until(lambda: link("yard-net", "returned-unacknowledged"), 20.0, "the broker's return")
    wait_until(lambda: fresh("H1", "load-x", "S1-mid-y"), 20.0, "fresh readings")
    run.process.send_signal(signal.SIGTERM)
    assert run.wait() == 0
    assert all("Traceback" not in line for line in run.errors)
    (verdict,) = judged(tmp_path / "cut.jsonl")
    assert verdict["same_as_live"] is True
    assert {a["about"] for a in verdict["alarms"] if a["rule"] == "link-lost"} == {"bench", "yard-net"}


@pytest.mark.broker
def test_kill_9_in_the_middle_leaves_a_recording_that_is_the_same(program, drill, tmp_path, wait_until, judged):
    _, ports = drill("clean")
    paths = [tmp_path / f"killed{i}.jsonl" for i in range(3)]
    runs = [program("run", RIG, "--headless", "--json", "--record", path.name, *ports) for path in paths]
    for run, rng in zip(runs, map(random.Random, range(3)), strict=True):
        wait_until(lambda run=run: len(run.kind("picture")) >= 2, 40.0, "pictures")
        threading.Event().wait(rng.uniform(0.5, 1.5))
        run.process.kill()
        run.wait()
    for verdict in judged(*paths):
        assert verdict["complete"] is False
        assert verdict["same_as_live"] is True
        assert verdict["damage"].startswith(("not closed", "torn"))
        assert verdict["samples"] > 100


@pytest.mark.broker
def test_a_person_may_type_actions(program, drill, tmp_path, wait_until, judged):
    _, ports = drill("clean")
    run = program("run", RIG, "--headless", "--json", "--actions", "-", "--record", "typed.jsonl", *ports, stdin=True)

    def say(line: str) -> None:
        run.process.stdin.write(line + "\n")
        run.process.stdin.flush()

    def answers() -> list:
        return [p["answer"] for p in run.kind("picture") if p["answer"]]

    wait_until(lambda: len(run.kind("picture")) > 3, 20.0, "pictures")
    assert run.kind("picture")[-1]["zeroed"] is None, "with --actions nothing is zeroed by itself"
    say("not json")
    say('{"do": "dance"}')
    say('{"do": "shelve", "rule": "lean", "for": "sixty"}')
    say('{"do": "zero"}')
    wait_until(lambda: run.kind("picture")[-1]["zeroed"] is not None, 10.0, "the zero")
    say('{"do": "stop", "reason": "a person under it"}')
    wait_until(lambda: "stop-called crew" in run.raised(), 5.0, "STOP")
    say('{"do": "acknowledge", "rule": "stop-called", "about": "crew"}')
    wait_until(lambda: run.kind("alarm")[-1]["state"] == "acknowledged", 5.0, "the acknowledgement")
    say('{"do": "clear-stop"}')
    wait_until(lambda: run.kind("alarm")[-1]["state"] == "normal", 5.0, "STOP cleared")
    wait_until(answers, 5.0)
    run.process.send_signal(signal.SIGINT)
    assert run.wait() == 0
    assert sum(line.startswith(("standard input: found", "standard input: 'shelve'")) for line in run.errors) == 3
    (verdict,) = judged(tmp_path / "typed.jsonl")
    assert verdict["same_as_live"]
    assert verdict["alarms"][0]["acknowledged"] is not None


def test_the_demo_without_a_terminal_prints_its_verdict(program, tmp_path):
    (tmp_path / "wrong-bag.toml").write_text(WRONG_BAG)
    run = program("demo", "--drill", "wrong-bag.toml", "--json", "--headless")
    assert run.wait() == 0
    assert run.errors == []
    verdict = run.objects[-1]
    assert (verdict["kind"], verdict["missed"], verdict["besides"]) == ("verdict", [], [])
    assert [(a["rule"], a["priority"]) for a in verdict["alarms"]] == [("bag-order", "danger")]


WRONG_CALLS = [
    (["run", "nothing.toml", "--headless"], 1, "nothing.toml:1: found no readable file"),
    (["run", RIG, "--headless", "--port", "x=y"], 2, "NAME one of bench, yard-net"),
    (["run", RIG, "--headless", "--port", "yard-net=http://x"], 2, "allowed is mqtt://HOST:PORT"),
    (["run", RIG, "--headless", "--for", "soon"], 2, "--for: found 'soon'"),
    (["run", RIG, "--headless", "--for", "-1s"], 2, "--for"),
    (["run", RIG, "--headless", "--record", "no/such/dir.jsonl"], 1, "cannot record there"),
    (["run", RIG, "--json"], 2, "--json and --actions go with --headless"),
    (["run", RIG], 2, "add --headless"),
    (["judge", "nothing.jsonl"], 1, "nothing.jsonl: No such file"),
    (["judge", RIG], 1, "is no recording"),
    (["drill", "nothing"], 2, "found drill 'nothing'"),
    (["drill", "clean", "--speed", "0"], 2, "--speed"),
    (["drill", "clean", "--port", "bench=udp://x"], 1, "socket://HOST:PORT or pty"),
    (["check"], 2, "RIG"),
    (["dance"], 2, "invalid choice"),
]


@pytest.mark.parametrize(
    ("args", "code", "says"), WRONG_CALLS, ids=[" ".join(it[0][:1] + it[0][2:]) for it in WRONG_CALLS]
)
def test_a_wrong_call_is_one_sentence_and_its_exit_code(tmp_path, monkeypatch, typed, args, code, says):
    monkeypatch.chdir(tmp_path)
    it = typed(*args)
    assert it.code == code
    assert says in it.err
    assert it.out == ""


def test_a_wrong_call_ends_its_process_with_its_exit_code_and_without_a_traceback(tmp_path):
    for args, code, says in (WRONG_CALLS[0], WRONG_CALLS[-1]):
        it = subprocess.run([*COMMAND, *args], capture_output=True, text=True, cwd=tmp_path, timeout=60)
        assert (it.returncode, it.stdout) == (code, "")
        assert says in it.stderr
        assert "Traceback" not in it.stderr


@pytest.mark.parametrize(
    "args", [[], ["--help"], *([c, "--help"] for c in ("demo", "check", "run", "sensors", "drill", "judge"))]
)
def test_help_everywhere(typed, args):
    it = typed(*args)
    assert it.code == 0
    assert "Nobody goes under a load held by bags alone." in " ".join(it.out.split())


@pytest.mark.parametrize("shell", ["bash", "zsh", "tcsh"])
def test_completion_is_printed(typed, shell):
    it = typed("--completion", shell)
    assert it.code == 0
    assert "headless" in it.out


def test_help_loads_nothing_heavy():
    it = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "monitor", "--help"], capture_output=True, text=True, timeout=60
    )
    loaded = {line.rsplit("|", 1)[-1].strip().split(".")[0] for line in it.stderr.splitlines() if "|" in line}
    assert not loaded & {"textual", "pint", "paho", "serial", "pydantic", "orjson", "rich"}


def test_a_reader_that_goes_away_is_no_error(tmp_path):
    script = f"{sys.executable} -m monitor demo --headless --drill clean | head -n 2"
    it = subprocess.run(
        ["bash", "-c", script],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        timeout=60,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    assert "Traceback" not in it.stderr
    assert len(it.stdout.splitlines()) == 2


@pytest.mark.broker
def test_a_drill_goes_on_until_it_is_stopped_or_ends_at_once_if_asked(program, drill, tmp_path, wait_until):
    short = tmp_path / "short.toml"
    short.write_text('name = "short"\ntitle = "t"\nstory = "s"\n[[move]]\ndo = "wait"\nseconds = "1 s"\n')
    goes_on, ports = drill(str(short))
    once, once_ports = drill(str(short), "socket://127.0.0.1:0", "--once")
    run = program("run", RIG, "--headless", "--json", "--no-record", *ports)
    program("run", RIG, "--headless", "--json", "--no-record", *once_ports)
    assert once.wait(30.0) == 0
    wait_until(lambda: any("the sensors go on" in line for line in goes_on.errors), 30.0, "the crew's end")
    wait_until(lambda: len(run.kind("picture")) > 6, 30.0, "pictures")
    assert run.raised() == []
    goes_on.process.send_signal(signal.SIGINT)
    assert goes_on.wait(10.0) == 0
    assert all("Traceback" not in line for line in goes_on.errors + once.errors)
