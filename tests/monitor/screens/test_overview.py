"""All rigs on one screen: their order, what each says, and that STOP goes to the chosen one and to no other."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from monitor.engine.picture import AlarmState, Blind, Priority
from monitor.screens.ink import Role, plain, width
from monitor.screens.overview import OverviewScreen, RigsView, overview, worst_first
from monitor.screens.safety import SIGNED

from .conftest import StandIn

GONE = "GONE: the operator's monitor has left"
SIZES = [(80, 24), (120, 40), (160, 48), (60, 16), (40, 8), (20, 4), (10, 3)]


class RigsStandIn:
    """Several rigs, each with one picture; keeps what is sent to which. The screen is real; only the broker is not there."""

    def __init__(self, rig, pictures) -> None:
        self.rig, self.pictures, self.trouble = rig, dict(pictures), {}
        self.sent: list[tuple] = []
        self.feeds = {name: StandIn(rig, picture) for name, picture in self.pictures.items()}

    def rows(self):
        return [(name, picture, self.trouble.get(name, "")) for name, picture in self.pictures.items()]

    def feed(self, name):
        return self.feeds.get(name)

    def send(self, name, do, /, **details) -> None:
        self.sent.append((name, do, details))


@pytest.fixture
def rigs(rig, quiet, leaning) -> RigsStandIn:
    calm = replace(quiet, alarms=(), blind=())
    return RigsStandIn(rig, {"quarry": calm, "precast-hall": leaning, "yard": calm})


@pytest.fixture
def at():
    """The time on the screen's clock: [seconds]."""
    return [0.0]


@pytest.fixture
def shown(rigs, at):
    def run(*keys, size=(80, 24), look=None):
        async def go() -> str:
            app = OverviewScreen(rigs, bell=False, clock=lambda: at[0])
            async with app.run_test(size=size) as pilot:
                for key in keys:
                    if callable(key):
                        key()
                        app.redraw()
                    else:
                        await pilot.press(key)
                await pilot.pause()
                if look is not None:
                    look(app)
                return plain(app.sheet.lines)

        return asyncio.run(go())

    return run


def order(text: str) -> list[str]:
    names = ("quarry", "precast-hall", "yard")
    heads = [line[2:].strip().split()[0] for line in text.splitlines()[1:-2] if line[2:].strip()]
    return [word for word in heads if word in names]


def chosen(text: str) -> str:
    """As the bar over the whole width has it."""
    bar = next(line for line in text.splitlines() if "space calls STOP on" in line)
    marked = [line for line in text.splitlines() if line.startswith("▶ ")]
    name = bar.split()[-1]
    assert [line.split()[1] for line in marked] == [name], "the row and the bar say the same"
    return name


def test_the_worst_stands_first_and_is_chosen(shown):
    text = shown()
    assert order(text)[0] == "precast-hall"
    assert chosen(text) == "precast-hall"
    assert "DANGER  ◆lean S1" in text
    assert "STOP FILLING, HOLD" in text
    assert "no alarm" in text


def test_the_order_of_trouble(rig, quiet, make_alarm):
    def alarmed(*alarms):
        return replace(quiet, alarms=alarms, blind=())

    rows = [
        ("quiet", alarmed(), ""),
        ("falls farther", replace(alarmed(), fall_m=0.03), ""),
        ("blind", replace(alarmed(), blind=(Blind("lean", "S1", "x"),)), ""),
        ("not heard yet", None, ""),
        ("caution", alarmed(make_alarm("lean", Priority.CAUTION)), ""),
        ("warning seen", alarmed(make_alarm("lean", Priority.WARNING, AlarmState.ACKNOWLEDGED)), ""),
        ("warning", alarmed(make_alarm("lean", Priority.WARNING)), ""),
        ("danger", alarmed(make_alarm("lean", Priority.DANGER)), ""),
        ("gone", alarmed(), GONE),
        ("stop", replace(alarmed(), stop_called="somebody"), ""),
    ]
    assert [name for name, _, _ in worst_first(rows)] == [
        "stop",
        "gone",
        "danger",
        "warning",
        "warning seen",
        "not heard yet",
        "caution",
        "blind",
        "falls farther",
        "quiet",
    ]


def test_space_calls_stop_on_the_chosen_rig_at_once(rigs, shown):
    text = shown("space")
    assert rigs.sent == [("precast-hall", "stop", {"reason": SIGNED})]
    assert "STOP CALLED ON precast-hall 0 s ago: waiting for its monitor" in text


@pytest.mark.parametrize("first", ["question_mark", "q", "t", "escape"])
def test_space_calls_stop_whatever_is_shown_or_asked(rigs, shown, first):
    shown(first, "space")
    assert rigs.sent == [("precast-hall", "stop", {"reason": SIGNED})]


def test_the_arrows_choose_and_stop_goes_there_and_nowhere_else(rigs, shown):
    text = shown("down")
    other = chosen(text)
    assert other == order(text)[1]
    shown("down", "space")
    assert rigs.sent == [(other, "stop", {"reason": SIGNED})]
    assert chosen(shown("down", "up", "up")) == "precast-hall"
    assert chosen(shown(*["down"] * 5)) == order(text)[2]


def test_the_chosen_rig_stays_chosen_when_another_becomes_worse(rigs, shown, leaning):
    def worse() -> None:
        rigs.pictures["yard"] = replace(leaning, stop_called="somebody")

    text = shown(worse, "space")
    assert order(text)[0] == "yard"
    assert chosen(text) == "precast-hall"
    assert rigs.sent == [("precast-hall", "stop", {"reason": SIGNED})]


def test_rows_stand_still_for_a_while_after_an_arrow(rigs, shown, leaning, at):
    def worse() -> None:
        rigs.pictures["yard"] = replace(leaning, stop_called="somebody")

    def later() -> None:
        at[0] = 6.0

    assert order(shown("down", worse))[0] == "precast-hall"
    rigs.pictures["yard"] = rigs.pictures["quarry"]
    assert order(shown("down", worse, later))[0] == "yard"


def test_a_rig_that_goes_is_said_and_another_is_chosen_for_all_to_see(rigs, shown):
    def goes() -> None:
        del rigs.pictures["precast-hall"]

    text = shown(goes)
    assert "precast-hall is not heard of any more" in text
    assert chosen(text) == order(text)[0] != "precast-hall"


def test_the_call_is_confirmed_and_the_reason_goes_to_the_same_rig(rigs, shown, leaning, at):
    def stands() -> None:
        rigs.pictures["precast-hall"] = replace(leaning, stop_called="officer: crack")

    def late() -> None:
        at[0] = 3.0

    assert "NOT HEARD: SHOUT, AND SPACE AGAIN" in shown("space", late)
    text = shown("space", *"crack", "enter", stands)
    assert rigs.sent[-1] == ("precast-hall", "stop", {"reason": "crack"})
    assert "STOP CALLED ON" not in text
    assert "STOP    called by officer: crack" in text


def test_an_old_picture_confirms_no_call(rigs, shown, leaning):
    rigs.pictures["precast-hall"] = replace(leaning, stop_called="somebody")
    rigs.trouble["precast-hall"] = GONE
    assert "STOP CALLED ON precast-hall" in shown("space")


def test_enter_opens_the_rig_and_escape_comes_back(rigs, shown):
    opened = shown("enter")
    assert "IF THE BAGS FAIL NOW, IT FALLS" in opened
    assert "escape all rigs" in opened
    shown("enter", "space")
    assert rigs.feeds["precast-hall"].sent == [("stop", {"reason": SIGNED})]
    assert rigs.sent == []
    assert order(shown("enter", "escape"))[0] == "precast-hall"
    assert order(shown("enter", "down", "escape", "escape"))[0] == "precast-hall", "the first left the alarm"


def test_a_rig_of_which_nothing_is_known_cannot_be_opened_yet(rigs, shown):
    del rigs.feeds["precast-hall"]
    assert "has not been heard yet" in shown("enter")


def test_trouble_is_told_and_what_is_old_wears_no_colour(rigs, shown):
    rigs.trouble["precast-hall"] = GONE
    roles = {}

    def look(app) -> None:
        row = next(line for line in app.sheet.lines if "OLD" in plain([line]))
        roles.update({text.strip(): role for text, role in row})

    text = shown(look=look)
    assert "GONE: the operator's" in text
    assert roles["falls"] is Role.OLD


def test_no_rig_and_no_picture_each_say_so(rigs, shown):
    rigs.pictures["precast-hall"] = None
    text = shown()
    assert "WAITING" in text
    assert "no picture has come yet" in text
    rigs.pictures.clear()
    assert "no rig is heard yet" in shown("down", "enter")
    assert "shout" in shown("space")
    assert rigs.sent == []


def test_help_and_quit(shown, rigs):
    text = shown("question_mark")
    assert "any key goes back" in text
    assert "space calls STOP on" in text
    assert "any key goes back" not in shown("question_mark", "x")
    assert "Quit this screen: q again" in shown("q")
    assert "left as it was" in shown("q", "x")


@pytest.mark.parametrize(("columns", "rows"), SIZES)
@pytest.mark.parametrize("count", [0, 1, 3, 40])
def test_it_fills_exactly_its_size_and_shows_the_chosen_rig(leaning, quiet, columns, rows, count):
    table = [(f"rig-{i:02}", (leaning, quiet, None)[i % 3], GONE if i % 5 == 4 else "") for i in range(count)]
    view = RigsView(chosen=f"rig-{count - 1:02}" if count else "", called=("rig-00", 0.3))
    lines = overview(table, view, columns, rows)
    assert len(lines) == rows
    assert {width(line) for line in lines} == {columns}
    if count and columns >= 40:
        text = plain(lines)
        assert f"▶  rig-{count - 1:02}" in text
        assert f"space calls STOP on  rig-{count - 1:02}" in text


def test_the_falls_stand_in_one_column_also_where_one_is_of_feet(quiet):
    rows = [("left", replace(quiet, fall_m=0.42), ""), ("right", replace(quiet, fall_m=0.02), "")]
    text = plain(overview(rows, RigsView(chosen="left", units={"left": "us"}), 100, 20))
    assert "1 ft 4 9/16 in" in text
    assert "20 mm" in text
    assert len({line.index(end) + len(end) for line in text.splitlines() for end in (" in", " mm") if end in line}) == 1


def test_nothing_flashes(shown, at):
    drawn = []

    def look(app) -> None:
        app.sheet.refresh = lambda *regions, **_: drawn.append(regions)
        for tenth in range(10):
            at[0] = tenth / 10
            app.redraw()

    shown(look=look)
    assert drawn == []
