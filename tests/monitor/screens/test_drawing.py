"""The operator's screen as drawings: at any size, with every state, with and without colour."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from monitor.engine.picture import AlarmState, Blind, Priority
from monitor.screens import board, views
from monitor.screens.ink import Role, plain, width
from monitor.screens.layout import CAUTIONS, HELP, KEYS, View, operator

SIZES = [(80, 24), (120, 40), (160, 48), (60, 20), (40, 12), (20, 6), (250, 80), (80, 23), (81, 30), (10, 3)]


def drawn(rig, picture, columns=80, rows=24, **view):
    return operator(picture, View(rig, "recording to yard.jsonl", **view), columns, rows)


@pytest.mark.parametrize(("columns", "rows"), SIZES)
def test_the_screen_fills_exactly_its_size(rig, demo, columns, rows):
    for picture in (None, demo[0], demo[400], demo[-1]):
        for help_shown in (False, True):
            for item in (None, 3):
                lines = drawn(rig, picture, columns, rows, help=help_shown, item=item)
                assert len(lines) == rows
                assert {width(line) for line in lines} == {columns}


@pytest.mark.parametrize(("columns", "rows"), SIZES)
def test_the_card_of_the_start_never_covers_an_alarm(rig, leaning, columns, rows):
    for picture in (None, leaning):
        lines = drawn(rig, picture, columns, rows, card=True)
        assert len(lines) == rows
        assert {width(line) for line in lines} == {columns}
    assert plain(lines).startswith("DANGER ◆")


def test_the_card_of_the_start_says_the_cautions_and_the_key(rig, quiet):
    text = " ".join(plain(drawn(rig, quiet, card=True)).split())
    assert "space bar calls STOP" in text
    assert " ".join(" ".join(CAUTIONS).split()) in text
    assert "BAG bar" not in text


def test_a_wide_window_shows_the_load_and_the_stack_from_above(rig, quiet):
    text = plain(drawn(rig, quiet, 120, 40))
    for part in ("from above x1, a cell is", "▲hinge", "▪N1", "○S1", "+cg", "of 150 mm"):
        assert part in text, part
    assert "from above" not in plain(drawn(rig, quiet, 80, 24))


def test_a_very_wide_window_shows_more_trends_and_what_is_open_of_the_checklist(rig, quiet):
    minute = {
        "tilt": [(quiet.time_ns, 0.01)],
        "S1-lower": [(quiet.time_ns, 2.5e5)],
        "S1-upper": [(quiet.time_ns, None)],
    }
    text = plain(drawn(rig, quiet, 160, 48, trends=minute))
    for part in ("60 s rise", "60 s tilt", "S1-lower", "2.50 bar", "0 of 9 ticked, l opens it", "[ ] couplings"):
        assert part in text, part
    ticked = tuple(replace(it, ticked_ns=1) for it in quiet.checklist)
    assert "9 of 9 ticked" in plain(drawn(rig, replace(quiet, checklist=ticked), 160, 48))


def test_a_plan_given_up_is_not_shown_as_done(rig, demo):
    given_up = replace(demo[400], step=None, abandoned=True)
    assert "the plan is given up, b takes it up again" in plain(drawn(rig, given_up))
    assert "the plan is at its end" in plain(drawn(rig, replace(given_up, abandoned=False)))


@pytest.mark.parametrize(("columns", "rows"), SIZES)
def test_a_narrow_window_never_drops_the_gravest_alarm(rig, leaning, columns, rows):
    text = plain(drawn(rig, leaning, columns, rows))
    assert text.startswith("DANGER ◆")


@pytest.mark.parametrize(("columns", "rows"), [(80, 24), (120, 40), (160, 48)])
def test_everything_an_operator_needs_is_there(rig, leaning, columns, rows):
    text = plain(drawn(rig, leaning, columns, rows))
    for part in (
        "DANGER ◆lean S1",
        "STEP 3 of 6",
        "fill S1-lower",
        "mm to go",
        "S1-upper",
        "S1-lower",
        "N1",
        "N2",
        "rate",
        "tilt",
        "ring",
        "fall if bags fail",
        "not captured",
        "rise",
        "±",
        "heights x",
        "S1 in cone",
        "60 s rise",
        "ports up",
        "recording to yard.jsonl"[:10],
        "space STOP",
    ):
        assert part in text, part


def test_more_alarms_than_lines_say_how_many_and_how_grave(rig, quiet, make_alarm):
    many = tuple(make_alarm(f"rule-{i}", Priority.WARNING) for i in range(9))
    lines = plain(board.alarms(replace(quiet, alarms=many), 80, 4)).splitlines()
    assert len(lines) == 4
    assert lines[3] == "6 more, the gravest a warning"


def test_what_comes_of_another_is_folded_under_it_where_lines_are_few(quiet, make_alarm):
    root = make_alarm("over-centre", Priority.DANGER, text="DANGER  over-centre load: x - hold")
    come = tuple(
        replace(make_alarm(rule, priority, text=f"{priority.name:<8}{rule} load: x - y"), under="over-centre S1")
        for rule, priority in (("tilt", Priority.DANGER), ("uneven", Priority.WARNING), ("tilt-x", Priority.WARNING))
    )
    other = make_alarm("sinking", Priority.CAUTION, text="CAUTION sinking S2: x - y")
    picture = replace(quiet, alarms=(root, *come, other))
    assert len(plain(board.alarms(picture, 80, 5)).splitlines()) == 5, "where there is room all of them stand"
    lines = plain(board.alarms(picture, 80, 4)).splitlines()
    assert lines == [
        "DANGER ◆over-centre load: x - hold (+2 under it)",
        "DANGER ◆tilt load: x - y",
        "CAUTION◆sinking S2: x - y",
        "2 more, the gravest a warning",
    ], "a danger has its line before what is less, whatever it comes of"


def test_no_alarm_is_never_said_of_what_nobody_watches(quiet):
    blind = replace(quiet, alarms=(), blind=(Blind("lean", "S1", "lean not known without IX"),))
    assert "not everything is" in plain(board.alarms(blind, 80, 3))
    assert "watch the load" not in plain(board.alarms(blind, 80, 3))
    assert plain(board.alarms(blind, 80, 1)).strip().startswith("UNKNOWN")
    assert plain(board.alarms(replace(blind, blind=()), 80, 1)).startswith("no alarm  watch the load")


def test_every_state_has_its_own_mark_and_fill(make_alarm):
    seen = set()
    for state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED):
        for priority in (Priority.CAUTION, Priority.WARNING, Priority.DANGER):
            line = board.alarm_line(make_alarm("lean", priority, state), 80)
            text = plain([line])
            assert text.startswith(priority.name)
            seen.add((text[:8], line[0][1]))
    assert len(seen) == 9
    assert len({text for text, _ in seen}) == 9, "readable without colour"


def test_shelved_and_suppressed_alarms_do_not_ask_for_anybody(quiet, make_alarm):
    aside = tuple(make_alarm("x", Priority.WARNING, state) for state in (AlarmState.SHELVED, AlarmState.SUPPRESSED))
    assert "no alarm" in plain(board.alarms(replace(quiet, alarms=aside), 80, 3))


def test_what_is_out_of_service_is_named_where_there_is_room_and_always_counted(rig, quiet, make_alarm):
    out = tuple(
        make_alarm("sensor-lost", priority, AlarmState.OUT_OF_SERVICE, about)
        for about in ("H1", "H2")
        for priority in (Priority.WARNING, Priority.CAUTION)
    )
    text = plain(board.alarms(replace(quiet, alarms=out), 80, 4))
    assert "no alarm" in text
    assert "× out of service: sensor-lost H1, sensor-lost H2" in text
    crowded = replace(quiet, alarms=tuple(make_alarm(f"rule-{i}", Priority.WARNING) for i in range(9)) + out)
    assert "out of service" not in plain(board.alarms(crowded, 80, 4))
    assert "2 out of service" in plain([board.status(crowded, "x", 80)])
    assert "out of service" not in plain([board.status(quiet, "x", 80)])


def test_the_first_is_told_among_others_and_what_chatters_always(quiet, make_alarm):
    alarm = make_alarm("lean", Priority.WARNING, text="WARNING lean S1: x - hold")
    first, chatters = replace(alarm, first=True), replace(alarm, chattering=True)
    assert plain(board.alarms(replace(quiet, alarms=(first,)), 80, 1)) == "WARNING◆lean S1: x - hold"
    other = make_alarm("tilt", Priority.CAUTION, text="CAUTION tilt load: x - watch it")
    lines = plain(board.alarms(replace(quiet, alarms=(first, other)), 80, 2)).splitlines()
    assert lines == ["WARNING◆lean S1: x - hold (first)", "CAUTION◆tilt load: x - watch it"]
    assert plain([board.alarm_line(chatters, 80)]) == "WARNING◆lean S1: x - hold (comes and goes)"
    assert (
        plain([board.alarm_line(replace(chatters, first=True), 34, among=True)]) == "WARNING◆lean S1: x - hold (first)"
    )
    assert plain([board.alarm_line(replace(chatters, first=True), 30, among=True)]) == "WARNING◆lean S1: x - hold"


def test_what_is_latched_says_that_it_was_and_how_to_reset_it(make_alarm):
    alarm = make_alarm("slip", Priority.DANGER, AlarmState.ACKNOWLEDGED, text="DANGER  slip S1: x - hold")
    assert plain([board.alarm_line(replace(alarm, active=False), 80)]) == "DANGER ◇was: slip S1: x - hold (r resets it)"
    assert plain([board.alarm_line(alarm, 80)]) == "DANGER ◇slip S1: x - hold"


def test_a_port_that_is_up_and_not_well_says_why(quiet):
    one, *others = quiet.ports
    assert "  ports up  " in plain([board.status(quiet, "x", 80)])
    unwell = replace(quiet, ports=(replace(one, text="bytes come unreadable: speed 4800 right?"), *others))
    said = plain([board.status(unwell, "x", 80)])
    assert f"  {one.name}: bytes come unreadable: speed 4800 right?  " in said
    assert "sensors" in said
    both = replace(unwell, ports=(unwell.ports[0], replace(one, name="far", up=False, text="lost")))
    assert f"far DOWN  {one.name}: bytes" in plain([board.status(both, "x", 80)])
    assert f"{one.name}: bytes" not in plain([board.status(replace(unwell, ports=others), "x", 80)])


def test_a_flood_is_told(quiet):
    assert "ALARM FLOOD" in plain([board.status(replace(quiet, flood=True), "x", 80)])
    assert "FLOOD" not in plain([board.status(quiet, "x", 80)])


def test_an_alarm_line_of_eighty_columns_is_shown_whole(make_alarm):
    text = "DANGER  lean S1: " + "x" * 63
    assert len(text) == 80
    assert plain([board.alarm_line(make_alarm("lean", Priority.DANGER, text=text), 80)]) == text[:7] + "◆" + text[8:]


def test_a_blind_rule_has_its_own_look_and_is_never_shown_as_satisfied(rig, quiet):
    from monitor.engine.picture import Blind

    picture = replace(quiet, blind=(Blind("lean", "S1", "lean not known without S1-mid-x"),))
    lines = board.alarms(picture, 80, 4)
    assert any(role is Role.UNKNOWN and "UNKNOWN" in text for line in lines for text, role in line)
    assert "lean S1: lean not known without S1-mid-x" in plain(lines)


def test_before_the_zero_it_says_so_and_what_stands_in_the_way(rig, demo):
    assert "NO ZERO YET" in plain(drawn(rig, demo[5]))
    assert "has not been live for 2 s" in plain(drawn(rig, demo[5]))
    assert "no alarm" not in plain(drawn(rig, demo[5]))


def test_unknown_never_looks_like_zero(rig, demo):
    text = plain(drawn(rig, demo[0]))
    assert "0 mm/s" not in text
    assert "--" in text
    assert "- -" in text or "▀▀▀" in text
    assert "not known" in plain(drawn(rig, demo[0], 120, 40))


def test_a_monitor_that_has_stopped_says_so_first(rig, quiet):
    lines = drawn(rig, quiet, stopped_s=3.2)
    assert plain(lines).startswith("THE MONITOR HAS STOPPED: no picture for 3 s.")
    assert lines[0][0][1] is Role.DANGER


def test_the_numbers_keep_their_place(rig, demo):
    """Columns of the table stand at the same place whatever the numbers are."""
    places = set()
    for picture in demo[60::40]:
        head, *rows = plain(board.bags(picture.stacks, "metric", 48)).splitlines()
        places.add((head.index("now") + 3, tuple(len(row[:16].rstrip()) for row in rows)))
    assert places == {(16, (16, 16))}


def test_us_units_all_through(rig, quiet):
    us = rig.model_copy(update={"rig": rig.rig.model_copy(update={"units": "us"})})
    text = plain(drawn(us, quiet, 120, 40))
    assert "psi" in text
    assert " in" in text
    assert " mm" not in text.replace("rise 60 mm", "").replace("mm to go", "").split("STEP")[0]
    assert "bar" not in text.split("STEP")[1].split("ports")[0].replace("bars", "")


def test_the_side_view_turns_with_the_load_and_says_its_stretch(rig, demo):
    flat, up = (plain(views.side(rig, picture, 60, 16)) for picture in (demo[100], demo[-1]))
    assert flat != up
    assert "heights x" in up


def test_the_head_in_the_cone_moves_out_with_the_lean(quiet, leaning):
    def head(picture):
        return max(row.find("●") for row in plain(views.cone(picture.stacks[0], 28, 14)).splitlines())

    assert head(leaning) > head(quiet) + 4


def test_the_trend_shows_gaps_where_nothing_was_known():
    history = [(i * 10**8, None if 200 < i < 400 else 0.1) for i in range(600)]
    top = plain(views.trend(history, 60 * 10**9, "metric", 70, 3)).splitlines()[0]
    assert "   " in top[12:].strip()


def test_help_lists_every_key_and_the_cautions(rig, quiet):
    text = plain(drawn(rig, quiet, 80, 24, help=True))
    for key, what in HELP:
        assert key in text
        assert what[:40] in text
    for caution in CAUTIONS:
        assert caution in text
    assert len(KEYS) <= 80


def test_a_rule_at_two_priorities_in_one_place_is_shown_once_at_the_graver(leaning):
    rules = [(it.rule, it.about) for it in board.announced(leaning)]
    assert len(rules) == len(set(rules))
    assert board.announced(leaning)[0].priority is Priority.DANGER


def test_a_large_window_shows_the_whole_plan_and_how_it_went(rig, demo):
    text = plain(drawn(rig, demo[-1], 120, 40))
    assert "✓ 1 fill S1-upper" in text
    assert "▶ 5 hold" in text
    assert "  6 lower" in text


METRIC = re.compile(r"\d ?(?:mm|mm/s|m|bar|mbar|kN|N|L|K|°C)\b|\b(?:bar|mm)\b")


def test_under_us_units_no_number_is_metric(rig, demo, leaning):
    """What the drawings themselves say; the engine's own texts come in the rig's units already."""
    unknown = replace(leaning, load=replace(leaning.load, rise_m=None, bound_m=None))
    for picture in (demo[0], demo[700], leaning, demo[-1], unknown):
        for columns in (78, 80, 120):
            lines = [
                *board.bags(picture.stacks, "us", columns),
                *board.shores(picture.shores, "us", columns),
                *board.numbers(picture, "us", columns),
                *views.rise(picture, "us", columns),
                *views.trend([(picture.time_ns, 0.123)], picture.time_ns, "us", columns, 3),
            ]
            assert not METRIC.search(plain(lines)), plain(lines)
            assert {width(line) for line in lines} == {columns}


@pytest.mark.parametrize("columns", [28, 32, 40, 72])
@pytest.mark.parametrize(("inches", "bound"), [(4.94, 0.05), (12.94, 0.07), (35.06, 0.2), (0.0, 0.01), (-0.31, 0.1)])
def test_a_rise_in_fractions_is_whole_or_coarser_and_never_cut(quiet, columns, inches, bound):
    load = replace(quiet.load, rise_m=inches * 0.0254, bound_m=bound * 0.0254)
    lines = views.rise(replace(quiet, load=load), "us", columns)
    assert "…" not in plain(lines)
    assert {width(line) for line in lines} == {columns}
    if columns >= 32:
        assert "± " in plain(lines)


def test_before_the_zero_the_open_checklist_and_the_key_to_press_are_named(rig, demo):
    """80 columns have no list of the checklist: without this line its key stood on the page of keys alone."""
    before = next(p for p in demo if p.zero.taken_ns is None)
    assert "CHECKLIST  9 of 9 open: press l" in plain(drawn(rig, before))
    ready = replace(before, zero=replace(before.zero, ready=True, why_not=""))
    assert "NO ZERO YET  the load rests: press z" in plain(drawn(rig, ready))
    ticked = tuple(replace(it, ticked_ns=1) for it in before.checklist)
    assert "CHECKLIST" not in plain(drawn(rig, replace(before, checklist=ticked)))


def test_a_fill_at_its_stop_says_its_key_whole_and_not_the_word_that_is_called(rig, demo):
    filling = next(
        p for p in demo if p.step and p.zero.taken_ns is not None and p.steps[p.step.number - 1].do == "fill"
    )
    reached = replace(filling, step=replace(filling.step, done=True))
    line = next(it for it in plain(drawn(rig, reached, 80, 24)).splitlines() if it.startswith("STEP"))
    assert line.rstrip().endswith("REACHED: shut it, press n")
    assert "STOP" not in line


def test_while_stop_stands_the_step_holds_and_the_key_that_clears_it_is_named(rig, demo):
    filling = next(p for p in demo if p.step and p.zero.taken_ns is not None)
    stopped = replace(filling, stop_called="officer: gas", step=replace(filling.step, done=True))
    text = plain(drawn(rig, stopped))
    assert "HOLD: STOP stands" in text
    assert "STOP  c clears it, once whoever called it agrees" in text
    assert "press n" not in text


def test_an_alarm_that_is_gone_no_longer_says_what_to_do(make_alarm):
    alarm = replace(make_alarm("stop-called", Priority.DANGER), text="DANGER  stop-called crew: me - shut all valves")
    assert "shut all valves" in plain([board.alarm_line(alarm, 80)])
    gone = replace(alarm, active=False, state=AlarmState.RETURNED)
    assert plain([board.alarm_line(gone, 80)]) == "DANGER ◁was: stop-called crew: me (gone, not yet seen)"


def test_the_checklist_keeps_its_keys_while_something_is_said(rig, quiet):
    text = plain(drawn(rig, quiet, item=1, message="ticked: unused openings capped"))
    assert "up and down choose, enter ticks, any other key goes back" in text
    assert "ticked: unused openings capped" in text


def test_what_is_not_known_before_the_zero_is_said_whole_at_eighty_columns(rig, demo):
    text = plain(drawn(rig, next(p for p in demo if p.load.z_m is None), 80, 24))
    assert "not known" in text
    assert "as it lay, x" in text
    assert "as i…" not in text
