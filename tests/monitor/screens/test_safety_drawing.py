"""The safety officer's screen as drawings: what each state looks like, and that none of it looks like another."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.engine.picture import AlarmState, Blind, Priority, SensorStatus
from monitor.screens import fromabove, hazards
from monitor.screens.canvas import large
from monitor.screens.ink import Role, plain
from monitor.screens.safetyboard import SafetyView, safety

SIZES = [(60, 16), (80, 24), (120, 40), (160, 48)]


def drawn(rig, picture, columns=80, rows=24, **view) -> str:
    return plain(safety(picture, SafetyView(rig, "recording to yard.jsonl", **view), columns, rows))


def word(text: str) -> str:
    """The large word in the band."""
    words = ("DANGER", "WARNING", "CAUTION", "NOTICE", "STOP", "OLD", "BLIND", "NO ZERO", "NO ALARM", "WAS", "WAITING")
    head = [line[1:] for line in text.splitlines()[:3]]
    found = [it for it in words if all(row.startswith(part) for row, part in zip(head, large(it), strict=True))]
    return max(found, key=len, default="")


@pytest.fixture
def calm(quiet):
    """Nothing is wrong and all is watched."""
    return replace(quiet, alarms=(), blind=())


def test_every_state_has_a_large_word_of_its_own(rig, calm, demo, make_alarm):
    for priority in Priority:
        assert word(drawn(rig, replace(calm, alarms=(make_alarm("lean", priority),)))) == priority.name
    assert word(drawn(rig, calm)) == "NO ALARM"
    assert word(drawn(rig, replace(calm, blind=(Blind("lean", "S1", "x"),)))) == "BLIND"
    assert word(drawn(rig, replace(demo[5], alarms=()))) == "NO ZERO"
    assert word(drawn(rig, None)) == "WAITING"
    assert word(drawn(rig, calm, trouble="GONE")) == "OLD"
    assert word(drawn(rig, replace(calm, stop_called="somebody"))) == "STOP"


def test_what_stands_comes_before_what_is_gone(rig, calm, make_alarm):
    was = make_alarm("slip", Priority.DANGER, AlarmState.RETURNED, text="DANGER  slip S1: 12 mm - hold")
    latched = replace(was, rule="hinge-shift", state=AlarmState.ACKNOWLEDGED, active=False)
    stands = make_alarm("shore-behind", Priority.WARNING)
    text = drawn(rig, replace(calm, alarms=(was, stands)))
    assert word(text) == "WARNING"
    assert "DANGER ◁was: slip S1: 12 mm" in text
    assert "GONE, NOBODY HAS SEEN IT" in drawn(rig, replace(calm, alarms=(was,)))
    assert "GONE AND SEEN, NOT RESET" in drawn(rig, replace(calm, alarms=(latched,)))


def test_stop_stands_in_the_band_alone_and_the_others_beneath(rig, calm, make_alarm):
    stop = make_alarm(
        "stop-called", Priority.DANGER, about="crew", text="DANGER  stop-called crew: me: gas - shut all valves"
    )
    text = drawn(rig, replace(calm, stop_called="me: gas", alarms=(make_alarm("lean", Priority.DANGER), stop)))
    assert word(text) == "STOP"
    assert "called by me: gas" in text
    assert "stop-called" not in text
    assert "DANGER ◆lean S1" in text


@pytest.mark.parametrize(("columns", "rows"), [*SIZES, (40, 6), (30, 2)])
def test_no_window_is_too_small_for_the_gravest_alarm_and_that_there_are_more(rig, calm, make_alarm, columns, rows):
    alarms = (make_alarm("lean", Priority.DANGER), *(make_alarm(f"r{i}", Priority.WARNING) for i in range(9)))
    text = drawn(rig, replace(calm, alarms=alarms), columns, rows)
    assert word(text) == "DANGER" or text.split()[0] == "DANGER"
    assert "lean" in text.replace(chr(10), "")
    assert "more, the gravest a warning" in text or "+9" in text


def test_an_alarm_says_how_old_it_is():
    assert [hazards.span(it) for it in (0.4, 59.9, 60.0, 185.0, 3600.0, 3720.0)] == [
        "0 s",
        "59 s",
        "1:00",
        "3:05",
        "1 h 00",
        "1 h 02",
    ]


def test_a_line_too_short_for_all_of_an_alarm_keeps_what_it_is(calm, make_alarm):
    other = make_alarm(
        "tilt", Priority.WARNING, text="WARNING tilt load: 11.2° of 12.0° - stop filling, hold the load here"
    )
    picture = replace(calm, alarms=(make_alarm("lean", Priority.DANGER), other))
    assert plain(hazards.listed(picture, 0, 100, 1, None)).split("  ")[0].endswith("hold the load here")
    short = plain(hazards.listed(picture, 0, 60, 1, None))
    assert "tilt load: 11.2° of 12.0°" in short
    assert "stop" not in short


def test_the_fall_is_the_largest_thing_and_grows_no_smaller(rig, calm):
    for columns, rows in SIZES[1:]:
        heights = []
        for fall in (0.004, 0.04, 0.4):
            view = SafetyView(rig, "x")
            lines = safety(replace(calm, fall_m=fall), view, columns, rows)
            head = next(i for i, line in enumerate(lines) if "IF THE BAGS FAIL" in plain([line]))
            foot = next(i for i, line in enumerate(lines) if "±" in plain([line]))
            heights.append(foot - head - 1)
        assert len(set(heights)) == 1
        assert heights[0] >= 8, "more than twice as high as the band's word"


def test_the_fall_says_its_bound_and_whether_it_is_too_far(rig, calm):
    said = {}
    for fall in (0.025, 0.026, 0.051):
        lines = hazards.fall(rig, replace(calm, fall_m=fall), 40, 12)
        said[fall] = plain(lines), {role for line in lines for text, role in line if "█" in text}
    assert "the plan allows 25 mm" in said[0.025][0]
    assert "± " in said[0.025][0]
    assert "▲ ± " in said[0.026][0]
    assert "MORE THAN 25 mm: KEEP CLEAR" in said[0.026][0]
    assert [roles for _, roles in said.values()] == [{Role.STRONG}, {Role.WARNING_SEEN}, {Role.DANGER_SEEN}]
    unbound = replace(calm, load=replace(calm.load, bound_m=None))
    assert "± ?" in plain(hazards.fall(rig, unbound, 40, 12))


def test_where_crews_read_tapes_the_fall_is_read_as_on_one(rig, calm):
    """In letters as high as there is room for: a whole inch is not to be moved by the fraction behind it."""
    us = rig.model_copy(update={"rig": rig.rig.model_copy(update={"units": "us"})})
    calm = replace(calm, load=replace(calm.load, bound_m=0.0016))
    inch = 0.0254
    ends = set()
    for sixteenths, whole, fraction in ((7, "0", "7/16"), (39, "2", "7/16"), (32, "2", ""), (184, "11", "1/2")):
        text = plain(hazards.fall(us, replace(calm, fall_m=sixteenths * inch / 16), 40, 8))
        digits, words = text.splitlines()[1:6], text.splitlines()[6:]
        assert digits[-1].endswith(" in")
        big = large(whole, 2)
        at = digits[0].rindex(big[0].rstrip()) + len(big[0])
        ends.add(at)
        assert [row[at - len(big[0]) : at].rstrip() for row in digits] == [row.rstrip() for row in big]
        small = large(fraction, 1) if fraction else ("", "", "")
        assert [row[at:].removesuffix("in").strip() for row in digits[2:]] == [row.strip() for row in small]
        assert "± 1/8 in" in words[0], "a sixteenth is 1.6 mm less a hair: rounded up, no more is claimed than is known"
    assert len(ends) == 1
    assert "13/16 in" in plain(hazards.fall(us, replace(calm, fall_m=0.02), 40, 4)), "small where there is no room"


def test_a_bound_is_rounded_up_and_never_to_nothing(rig, calm, leaning):
    """Where a hundredth of a millimetre is known, a tenth is claimed; never a bound of nothing, in no unit."""
    for m, metric, us in (
        (0.00001, "± 0.1 mm", "± 1/16 in"),
        (0.0004, "± 0.4 mm", "± 1/16 in"),
        (0.01241, "± 13 mm", "± 1/2 in"),
    ):
        stack = replace(leaning.stacks[0], lean_bound_m=m)
        assert metric in plain(fromabove.whither(stack, "metric", 80))
        assert us in plain(fromabove.whither(stack, "us", 80))
        loose = replace(calm, load=replace(calm.load, bound_m=m))
        assert metric in plain(hazards.fall(rig, loose, 40, 12))
    sure = replace(calm, balance=replace(calm.balance, tip_rad=0.4, tip_sd_rad=1e-5))
    assert "goes over at 22.92 ± 0.01°" in plain([hazards.over(rig, sure)])


def test_on_the_way_down_the_fall_is_no_danger_by_itself(rig, calm):
    lowering = replace(calm, fall_m=0.1, steps=tuple(replace(it, do="lower") for it in calm.steps))
    roles = {role for line in hazards.fall(rig, lowering, 40, 12) for text, role in line if "█" in text}
    assert roles == {Role.WARNING_SEEN}


@pytest.mark.parametrize(
    ("by", "words"),
    [
        (None, "what holds the load is not known"),
        ((), "NOTHING KNOWN HOLDS IT"),
        (("bags",), "HELD BY BAGS ALONE: nobody under it"),
        (("bags", "shores"), "held by bags and shores"),
    ],
)
def test_what_holds_the_load(calm, by, words):
    assert words in plain([hazards.held(replace(calm, held_by=by))])


def test_shores_behind_the_load_are_named_the_worst_first(rig, calm):
    one, two = calm.shores
    behind = replace(calm, shores=(replace(one, gap_m=0.007), replace(two, gap_m=0.014)))
    first, second = plain(hazards.shores(rig, behind, 4)).splitlines()
    assert first.startswith("▽ N2 14 mm BEHIND, 6 mm allowed")
    assert second.startswith("▽ N1 7 mm BEHIND")
    assert plain(hazards.shores(rig, behind, 1)).startswith("(+1) ▽ N2 14 mm BEHIND")
    assert "how far behind? N1" in plain(hazards.shores(rig, replace(calm, shores=(replace(one, gap_m=None), two)), 4))
    assert "shores follow" in plain(hazards.shores(rig, calm, 4))
    assert "cribbing alone" in plain(hazards.shores(rig, replace(calm, shores=()), 4))


def test_what_is_not_seen_is_named(calm):
    assert "all is seen: 15 sensors ok, ports up" in plain(hazards.unseen(calm, 5))
    sensor, *rest = calm.sensors
    port, *ports = calm.ports
    poor = replace(
        calm,
        sensors=(replace(sensor, status=SensorStatus.STALE, says="no supply"), *rest),
        ports=(replace(port, up=False, text="lost"), *ports),
        blind=(
            Blind("lean", "S1", "no S1-mid-x"),
            Blind("slip", "S1", "no S1-mid-x"),
            Blind("tilt", "load", "no zero"),
        ),
    )
    text = plain(hazards.unseen(poor, 9))
    for part in (
        "lean S1 and 1 more: no S1-mid-x",
        "tilt load: no zero",
        f"port {port.name} DOWN lost",
        f"sensor {sensor.name} stale: no supply",
    ):
        assert part in text, part
    assert "and 3 more unseen" in plain(hazards.unseen(poor, 2))


def test_how_near_it_is_to_going_over_centre(rig, calm):
    # tan of the planned angle: 2.4 m out from the hinge, 0.10 m up: atan2(2.4, 0.1) = 87.6 degrees
    assert "goes over at 87.6° (plan)" in plain([hazards.over(rig, calm)])
    found = replace(calm.balance, tip_rad=0.4, tip_sd_rad=0.01)
    assert "goes over at 23 ± 2°" in plain([hazards.over(rig, replace(calm, balance=found))])
    near = replace(calm, balance=found, load=replace(calm.load, a=0.38, b=0.0))
    assert plain([hazards.over(rig, near)]).startswith("▲ turned 22.33°")
    lost = replace(calm, load=replace(calm.load, a=None))
    assert "turned by how much? goes over at 87.6° (plan)" in plain([hazards.over(rig, lost)])


def test_the_head_its_trail_and_its_way_from_above(rig, leaning):
    stack = leaning.stacks[0]
    trail = [(0, 0.0, 0.1), (1, None, None), (2, 0.0, -0.1)]
    with_trail, without = (plain(fromabove.above(rig, stack, it, "metric", 40, 20)) for it in (trail, ()))
    assert with_trail != without
    assert "◂ hinge" in without
    assert "S1 leans 134 mm ± 18 mm of 150 mm (90%)" in without
    assert "S1 134 of 150 mm (90%)" in plain(fromabove.above(rig, stack, (), "metric", 28, 14))
    assert "out 8.0 mm/s: at the ring in 2 s" in without
    head = max(line.find("●") for line in without.splitlines())
    assert head > 30, "toward +x, most of the way to the ring"
    beyond = fromabove.above(rig, replace(stack, lean_use=1.1), (), "metric", 40, 20)
    assert "OUT OF ITS RING" in plain(beyond)
    assert any("●" in text and role is Role.DANGER_SEEN for line in beyond for text, role in line)
    back = replace(stack, lean_rate_m_s=-0.004)
    assert "coming back 4.0 mm/s" in plain(fromabove.above(rig, back, (), "metric", 40, 20))


def test_a_circle_on_the_ground_is_one_on_the_screen(rig, quiet):
    """As wide as high in dots: two columns of cells are as wide as one row is high."""
    rows = plain(fromabove.above(rig, quiet.stacks[0], (), "metric", 60, 22)).splitlines()[:-2]
    ring = [(x, y) for y, row in enumerate(rows) for x, cell in enumerate(row) if 0x2800 < ord(cell) < 0x2900]
    wide = max(x for x, _ in ring) - min(x for x, _ in ring) + 1
    high = max(y for _, y in ring) - min(y for _, y in ring) + 1
    assert abs(wide - 2 * high) <= 2


@pytest.mark.parametrize(("columns", "rows"), SIZES)
def test_what_matters_most_is_there_at_every_size(rig, leaning, columns, rows):
    text = drawn(rig, leaning, columns, rows)
    for part in (
        "IF THE BAGS FAIL NOW",
        "± 3.0 mm",
        "held by",
        "S1 ",
        "shores follow",
        "all is seen",
        "STOP FILLING, HOLD",
    ):
        assert part in text, part
    assert "training-yard  00:50" in text
