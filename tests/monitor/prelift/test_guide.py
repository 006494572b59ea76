"""The whole way through the checks in simulated time: a virtual rig's bytes, the drivers' decoders, the engine, the guide."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from drivers.reading import Reading
from monitor.drill import offline
from monitor.drill.scenario import Scenario
from monitor.drill.wire import VirtualRig
from monitor.engine.picture import Picture
from monitor.prelift.guide import Guide, Key
from monitor.prelift.results import Outcome


class Led:
    """A guide at a drill that rests while `on_ask` turns valves and presses keys. Its own zero is pressed by the drill's hand."""

    def __init__(
        self, rig, *, person: bool, seconds: float, on_ask: Callable[[Led, str, str], None] | None = None
    ) -> None:
        self.asked: list[str] = []
        self.said: list[str] = []
        self.told: list[str] = []
        self.virtual: VirtualRig | None = None
        self._on_ask, self._waiting = on_ask or (lambda *_: None), []
        self.guide = Guide(
            rig,
            person=person,
            ask=self._ask,
            say=self.said.append,
            result=lambda it: self.told.append(f"{it.outcome.value}: {it.note}"),
            press=lambda press: None,
            counters=dict,
            strangers=dict,
        )
        self.moves: list[dict] = [{"do": "wait", "seconds": seconds}]
        self._rig = rig

    def _ask(self, check: str, about: str, text: str) -> None:
        self.asked.append(text)
        self._waiting.append((check, about))

    def play(self, *moves: dict) -> Led:
        scenario = Scenario.model_validate({"name": "x", "title": "x", "story": "x", "move": [*moves, *self.moves]})
        offline.play(self._rig, scenario, keeper=self, on_step=self._step)
        return self

    def write(self, entry) -> None:
        if isinstance(entry, Reading):
            self.guide.reading(entry)

    def alarm(self, _) -> None:
        pass

    def _step(self, virtual: VirtualRig, picture: Picture) -> None:
        self.virtual = virtual
        self.guide.picture(picture)
        while self._waiting:
            self._on_ask(self, *self._waiting.pop(0))
        if self.guide.finished:
            virtual.crew.finished = True

    def outcome(self, check: str, about: str = "") -> Outcome:
        found = self.guide.results.get(check, about)
        assert found is not None, f"no result of {check} {about}"
        return found.outcome


PRESSED = [{"do": "fill", "bag": bag, "pressure": "1.5 bar", "opening": 0.5} for bag in ("S1-lower", "S1-upper")]


def test_without_a_person_and_without_thermometers_a_leak_is_found_in_a_hundred_seconds(yard):
    led = Led(yard, person=False, seconds=150.0).play(*PRESSED, {"do": "leak", "bag": "S1-upper", "by": 0.002})
    assert led.guide.finished
    assert led.outcome("zero") is Outcome.OK
    assert led.outcome("hold", "S1-lower") is Outcome.OK
    assert led.outcome("hold", "S1-upper") is Outcome.WRONG
    assert led.asked == []


def hands(led: Led, check: str, about: str) -> None:
    """A person who breathes into bags, leaves all else out, and ends at the hold."""
    assert led.virtual is not None
    bag = led.virtual.truth.bags.get(about)
    if bag is not None and check in ("breath", "return"):
        bag.air *= 1.4 if check == "breath" else 1.0 / 1.4
    elif check != "return":
        led.guide.key(Key.QUIT if check == "hold" else Key.SKIP)


def test_each_breath_is_asked_for_and_answered(yard):
    led = Led(yard, person=True, seconds=60.0, on_ask=hands).play()
    assert led.guide.finished
    assert [led.outcome("breath", bag) for bag in ("S1-lower", "S1-upper")] == [Outcome.OK, Outcome.OK]
    assert led.outcome("wiggle", "H1") is Outcome.OPEN
    assert led.asked[:4] == [
        "tick off what has been looked at: type its number",
        "give bag S1-lower a breath of air",
        "let the air out of S1-lower again",
        "give bag S1-upper a breath of air",
    ]


def test_again_after_an_answer_asks_for_the_same_one_again(yard):
    tried: list[str] = []

    def twice(led: Led, check: str, about: str) -> None:
        if check == "return" and about not in tried:
            tried.append(about)
            led.virtual.truth.bags[about].air /= 1.4
            led.guide.key(Key.AGAIN)
        else:
            hands(led, check, about)

    led = Led(yard, person=True, seconds=90.0, on_ask=twice).play()
    assert [it for it in led.asked if it == "give bag S1-upper a breath of air"] != []
    assert led.asked.count("give bag S1-lower a breath of air") == 2
    assert sum("breath S1-lower ok" in it for it in led.told) == 2


def test_a_sensor_that_shakes_is_left_out_and_the_others_are_judged(yard):
    led = Led(yard, person=True, seconds=120.0, on_ask=hands)
    led.play({"do": "wait", "seconds": 4.0}, {"do": "noisy", "channel": "H1", "by": 8.0})
    assert [it for it in led.said if "still" in it] == [
        "waiting for H1 to stand still",
        "left out, not standing still: H1",
    ], "it is waited for once, not before every breath"
    assert led.outcome("live", "H1") is Outcome.WRONG
    assert led.outcome("breath", "S1-upper") is Outcome.OK


def test_closed_early_everything_else_is_said_not_to_be_done(yard):
    led = Led(yard, person=True, seconds=2.0).play()
    led.guide.close("stopped before")
    assert {it.outcome for it in led.guide.results} == {Outcome.OPEN}
    assert len(list(led.guide.results)) == 2 + 15 + 1 + 9 + 15 + 2, "ports, channels, zero, checklist, targets, bags"
    with pytest.raises(AssertionError, match="no result"):
        led.outcome("live", "nothing")
