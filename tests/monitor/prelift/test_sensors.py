"""The whole way, for real: a virtual rig on TCP, a pty or a broker, whose air the test turns on as it is asked to."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import pytest

from replay.entries import Action
from replay.journal import read_journal

from .wires import Bench, on_wires

pytestmark = pytest.mark.wires
COMMAND = [sys.executable, "-m", "monitor"]
BREATH_PA = 0.5e5
"""What a breath brings: well below the 2.7 bar at which the yard's panel moves."""
SENSORS = ("H1", "H2", "H3", "N1-ext", "N2-ext", "load-x", "load-y", "S1-head-x", "S1-head-y", "S1-mid-x", "S1-mid-y")


ANYWHERE = {"bench": "socket://127.0.0.1:0", "mast": "pty"}


class Program:
    """`inchwatch sensors` in another process. `answer` is called with each line as it comes."""

    def __init__(self, folder: Path, *args: str, stdin: bool = True) -> None:
        self.process = subprocess.Popen(
            [*COMMAND, "sensors", *args],
            cwd=folder,
            text=True,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            stdin=subprocess.PIPE if stdin else subprocess.DEVNULL,
        )
        self.lines: list[str] = []
        self.errors: list[str] = []
        self._drain = threading.Thread(target=lambda: self.errors.extend(self.process.stderr), daemon=True)
        self._drain.start()

    def __iter__(self) -> Iterator[str]:
        for line in self.process.stdout:
            self.lines.append(line.rstrip("\n"))
            yield self.lines[-1]

    def type(self, line: str) -> None:
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def end(self) -> int:
        for _ in self:
            pass
        code = self.process.wait(60)
        self._drain.join()
        for pipe in (self.process.stdin, self.process.stdout, self.process.stderr):
            if pipe is not None:
                pipe.close()
        return code

    @property
    def results(self) -> dict[str, dict]:
        found = map(json.loads, self.lines)
        return {f"{it['check']} {it['about']}".strip(): it for it in found if it["kind"] == "result"}

    @property
    def summary(self) -> dict:
        return json.loads(self.lines[-1])


@pytest.fixture
def program(tmp_path):
    running: list[Program] = []

    def start(*args: str, **more) -> Program:
        running.append(Program(tmp_path, *args, **more))
        return running[-1]

    yield start
    for it in running:
        if it.process.poll() is None:
            it.process.kill()
            it.end()


@pytest.fixture
def rig_file(tmp_path):
    def write(text: str) -> str:
        (tmp_path / "rig.toml").write_text(text, encoding="utf-8")
        return str(tmp_path / "rig.toml")

    return write


def notes(path: Path) -> list[str]:
    lines = read_journal(path).lines()
    return [str(it.details["text"]) for it in lines if isinstance(it, Action) and it.do == "note"]


def swapped(text: str, one: str, other: str) -> str:
    """The rig file with two sources changed for each other: what crossed hoses look like from here."""
    return (
        text.replace(f'id = "{one}"', 'id = "?"')
        .replace(f'id = "{other}"', f'id = "{one}"')
        .replace('id = "?"', f'id = "{other}"')
    )


def lead(it: Program, bench: Bench, stop_at: str = "") -> None:
    """Do as asked, as a crew would, with JSON actions: breathe into bags; shores and sensors have no hand here."""
    for line in it:
        said = json.loads(line)
        if said["kind"] != "ask":
            continue
        check, about = said["check"], said["about"]
        if check == stop_at:
            it.type('{"do": "quit"}')
        elif check == "checklist":
            it.type('{"do": "tick", "item": "nobody under"}')
            it.type('{"do": "tick", "item": "1"}')
            it.type('{"do": "next"}')
        elif check == "breath" and about in bench.virtual.truth.bags:
            bench.pressed[about] = BREATH_PA
        elif check == "return":
            bench.pressed[about] = 0.0
        else:
            it.type('{"do": "skip"}')


def test_a_breath_into_each_bag_is_answered_by_its_gauge(program, rig_file, yard_text, tmp_path, judged):
    with on_wires(yard_text, ANYWHERE) as bench:
        it = program(rig_file(yard_text), "--json", "--actions", "-", "--record", "pre.jsonl", *bench.ports)
        lead(it, bench, stop_at="hold")
        assert it.end() == 1, "what was left out has not passed"
    results = it.results
    assert {results[f"live {name}"]["outcome"] for name in SENSORS} == {"ok"}
    assert results["zero"]["text"] == "taken"
    for bag in ("S1-lower", "S1-upper"):
        assert results[f"breath {bag}"]["outcome"] == "ok"
        assert results[f"breath {bag}"]["text"].startswith(f"{bag}-p answers (")
    assert results["breath N1"]["text"] == "skipped"
    assert it.summary["passed"] is False
    assert it.summary["checks"]["breath"] == {"ok": 2, "wrong": 0, "cannot say": 0, "not done": 2}
    assert it.summary["checks"]["checklist"]["ok"] == 2
    (verdict,) = judged(tmp_path / "pre.jsonl")
    assert verdict["same_as_live"] is True
    assert verdict["complete"] is True
    assert [a for a in verdict["alarms"] if a["rule"] != "unticked"] == [], "a breath is no step of the plan"
    kept = notes(tmp_path / "pre.jsonl")
    assert any(re.fullmatch(r"prelift: live S1-upper-p ok, \d+\.\d readings/s, .*", note) for note in kept)
    assert any(note.startswith("prelift: breath S1-lower ok, S1-lower-p answers") for note in kept)
    assert re.match(r"prelift: \d+ ok; \d+ not done \(", kept[-1])


def test_two_crossed_hoses_are_named(program, rig_file, yard_text):
    with on_wires(yard_text, ANYWHERE) as bench:
        crossed = rig_file(swapped(yard_text, "P1", "P2"))
        it = program(crossed, "--json", "--actions", "-", "--no-record", *bench.ports)
        lead(it, bench, stop_at="wiggle")
        assert it.end() == 1
    for bag, other in (("S1-lower", "S1-upper"), ("S1-upper", "S1-lower")):
        result = it.results[f"breath {bag}"]
        assert result["outcome"] == "wrong"
        assert result["text"].endswith(f"hoses or wires of {bag} and {other} are crossed"), (
            "the first is told anew, too"
        )


def test_enter_s_r_q_and_numbers_lead_and_a_dead_bag_answers_nothing(program, rig_file, yard_text, tmp_path, judged):
    with on_wires(yard_text, ANYWHERE) as bench:
        it = program(rig_file(yard_text), *bench.ports)
        asked: list[str] = []
        for line in it:
            if not line.startswith("> "):
                continue
            asked.append(line.removeprefix("> ").partition("  [")[0])
            if "tick off" in line:
                it.type("2")
                it.type("9")
                it.type("banana")
                it.type("")
            elif asked.count("give bag S1-lower a breath of air") == 1 and "S1-lower" in line:
                it.type("")  # done, though no air was given
            elif "S1-upper" in line and asked.count("give bag S1-upper a breath of air") == 1:
                it.type("r")
            else:
                it.type("q")
        assert it.end() == 1
    assert asked[1:] == [f"give bag S1-{bag} a breath of air" for bag in ("lower", "upper", "lower")]
    said = "\n".join(it.lines)
    assert "ticked: supply and return hoses of each shore matched at both ends" in said
    assert "ticked: who may call STOP is said" in said
    assert any(line.startswith("found 'banana', allowed is one of  Enter: done") for line in it.errors)
    assert "WRONG       breath S1-lower: nothing answers: look for an unseated coupling first" in said
    assert "not done    checklist: not ticked (couplings fully seated" in said
    assert it.lines[-1] == "pre-lift checks: NOT passed"
    (kept,) = tmp_path.glob("training-yard-*.jsonl")
    assert f"recording to {kept.name}\n" in it.errors
    assert [a.details["item"] for a in read_journal(kept).lines() if isinstance(a, Action) and a.do == "tick"] == [
        "2",
        "9",
    ]
    assert judged(kept)[0]["same_as_live"] is True


def test_without_a_person_a_silent_channel_is_named_and_the_rest_said_not_to_be_done(program, rig_file, yard_text):
    with on_wires(yard_text, ANYWHERE) as bench:
        bench.fault("N2-p", "silent")
        misnamed = rig_file(yard_text.replace('id = "A6"', 'id = "A7"'))
        it = program(misnamed, "--for", "40s", "--json", "--no-record", *bench.ports, stdin=False)
        assert it.end() == 1
    results = it.results
    assert results["live N2-p"]["outcome"] == "wrong"
    assert results["live N2-p"]["text"].startswith("nothing heard")
    wrong = [name for name, it in results.items() if it["outcome"] == "wrong"]
    assert wrong == ["live N2-p", "live S1-mid-y", "zero"]
    assert re.search(r"; a source nobody named: A6 \(\d+ times\)$", results["port mast"]["text"])
    assert results["zero"]["text"] == "taken from the channels that are live only: N2-p is never-seen and 1 more"
    rest = {f"{it['check']} {it['about']}": it for it in it.summary["results"]}
    assert rest["wiggle H1"]["text"] == rest["checklist regulator set"]["text"] == "needs a person"
    assert "it has nothing to lose" in rest["hold S1-upper"]["text"]


def warm(text: str) -> str:
    """The yard with thermometers in its bags and finer gauges, so that a hold takes seconds (invented)."""
    for bag in ("lower", "upper"):
        text = text.replace(f'pressure = "S1-{bag}-p"', f'pressure = "S1-{bag}-p"\ntemperature = "S1-{bag}-t"')
        text += f'[[channel]]\nname = "S1-{bag}-t"\nquantity = "temperature"\nnoise = 0.01\n'.replace(
            "0.01", '"0.01 K"'
        )
        text += f'source = {{ port = "bench", id = "T-{bag}" }}\n'
    return re.sub(r'(quantity = "pressure"\nrange = .*\nnoise = )"0.01 bar"', r'\1"0.001 bar"', text)


def test_a_leaking_bag_fails_the_hold_and_a_tight_one_passes(program, rig_file, yard_text, wait_until):
    text = warm(yard_text)
    with on_wires(text, ANYWHERE) as bench:
        bench.virtual.truth.bags["S1-upper"].leaking = 0.002
        it = program(rig_file(text), "--json", "--actions", "-", "--no-record", *bench.ports)
        for line in it:
            said = json.loads(line)
            if said["kind"] == "ask" and said["check"] == "hold":
                bags = bench.virtual.truth.bags
                bench.pressed |= dict.fromkeys(bags, 1.5e5)
                wait_until(lambda bags=bags: all(bag.pressure() > 1.4e5 for bag in bags.values()), what="pressed bags")
                bench.pressed.clear()
                wait_until(lambda bags=bags: not any(bag.filling for bag in bags.values()), what="shut valves")
                it.type('{"do": "next"}')
            elif said["kind"] == "ask":
                it.type('{"do": "skip"}')
        assert it.end() == 1
    leaking, tight = it.results["hold S1-upper"], it.results["hold S1-lower"]
    assert (leaking["outcome"], tight["outcome"]) == ("wrong", "ok"), (leaking, tight)
    assert "more than the limit of 0.06 bar in 10 min (common practice, no source)" in leaking["text"]


@pytest.mark.broker
def test_a_broker_is_listened_to_and_one_that_is_gone_is_named(program, broker, wait_until):
    text = files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8")
    path = str(files("monitor.drill").joinpath("rigs/yard-panel.toml"))
    with on_wires(text, {"bench": "socket://127.0.0.1:0", "yard-net": broker.url}) as bench:
        it = program(path, "--for", "9s", "--json", "--no-record", *bench.ports, stdin=False)
        assert it.end() == 0
        assert it.results["port yard-net"]["outcome"] == it.results["live load-x"]["outcome"] == "ok"
        assert it.results["zero"]["text"] == "taken"
        broker.stop()
        it = program(path, "--for", "6s", "--json", "--no-record", *bench.ports, stdin=False)
        assert it.end() == 1
        assert "cannot connect" in it.results["port yard-net"]["text"]
        assert it.results["live load-x"]["outcome"] == "wrong"


def test_ctrl_c_ends_it_in_order_with_the_summary(program, rig_file, yard_text, tmp_path, judged):
    with on_wires(yard_text, ANYWHERE) as bench:
        it = program(rig_file(yard_text), "--record", "cut.jsonl", *bench.ports)
        for line in it:
            if line == "listening to every channel":
                it.process.send_signal(signal.SIGINT)
        assert it.end() == 1
    assert it.lines[-1] == "pre-lift checks: NOT passed"
    assert all("Traceback" not in line for line in it.errors)
    assert judged(tmp_path / "cut.jsonl")[0]["complete"] is True


@pytest.mark.parametrize(
    ("args", "code", "says"),
    [
        (["nothing.toml"], 1, "nothing.toml:1: found no readable file"),
        (["RIG", "--port", "x=y"], 2, "NAME one of bench, mast"),
        (["RIG", "--for", "soon"], 2, "--for: found 'soon'"),
        (["RIG", "--record", "no/such/dir.jsonl"], 1, "cannot record there"),
        (["RIG", "--record", "a", "--no-record"], 2, "exclude each other"),
        ([], 2, "RIG"),
    ],
)
def test_a_wrong_call_is_one_sentence_and_its_exit_code(
    tmp_path, monkeypatch, typed, rig_file, yard_text, args, code, says
):
    monkeypatch.chdir(tmp_path)
    path = rig_file(yard_text)
    it = typed("sensors", *(path if arg == "RIG" else arg for arg in args))
    assert (it.code, it.out) == (code, "")
    assert says in it.err
