"""The instructor's screen: going through the time of a recording, by playing, by steps, and from event to event."""

from __future__ import annotations

import pytest

from monitor.screens.instructor import speed_in_words
from monitor.screens.replayed import KEYS

from .walking import SECOND_NS, walked


def test_p_plays_and_pauses_and_time_goes_by_as_it_did(recorded):
    app, text = walked(recorded, "p", 3.0)
    assert app.picture.time_ns == pytest.approx(3 * SECOND_NS, abs=60_000_000)
    assert "▶ x1" in text
    app, text = walked(recorded, "p", 3.0, "p", 5.0)
    assert app.picture.time_ns == pytest.approx(3 * SECOND_NS, abs=60_000_000)
    assert "‖ paused x1" in text


@pytest.mark.parametrize(
    ("keys", "goes_by", "word"),
    [(["up"], 8.0, "x2"), (["up"] * 2, 16.0, "x4"), (["down"], 2.0, "x1/2"), (["down"] * 5, 1.0, "x1/4")],
)
def test_up_and_down_change_the_speed(recorded, keys, goes_by, word):
    app, text = walked(recorded, *keys, "p", 4.0)
    assert app.picture.time_ns == pytest.approx(goes_by * SECOND_NS, abs=100_000_000)
    assert f"▶ {word} " in text


def test_flat_out_shows_every_picture_on_the_way_to_the_last(recorded):
    app, text = walked(recorded, *["up"] * 9, "p", 0.2)
    assert recorded.asked[-1] == (len(recorded.pictures) - 1, True)
    assert "the end of the recording" in text
    assert not app.playing


def test_flat_out_ended_goes_on_from_where_it_was(recorded):
    recorded.slow = True
    app, _ = walked(recorded, *["up"] * 9, "p", 0.2)
    assert app.playing
    recorded.shown = 40
    app, _ = walked(recorded, *["up"] * 9, "p", 0.2, "down")
    assert recorded.asked[-1] != (len(recorded.pictures) - 1, True)


def test_speeds_in_words():
    assert [speed_in_words(it) for it in (0.25, 0.5, 1.0, 16.0, float("inf"))] == [
        "x1/4",
        "x1/2",
        "x1",
        "x16",
        "flat out",
    ]


def test_playing_ends_at_the_end_and_begins_anew(recorded):
    app, text = walked(recorded, "end", "left", "p", 1.0)
    assert not app.playing
    assert "the end of the recording" in text
    app, _ = walked(recorded, "end", "p", 1.0)
    assert app.playing
    assert app.picture.time_ns < 2 * SECOND_NS


def test_single_steps_go_both_ways_and_pause(recorded):
    app, _ = walked(recorded, "p", 2.0, "right")
    assert not app.playing
    number = app._shown
    app, _ = walked(recorded, "p", 2.0, "right", "left", "left")
    assert app._shown == number - 2
    app, _ = walked(recorded, "left")
    assert app._shown == 0
    app, _ = walked(recorded, "end", "right")
    assert app._shown == len(recorded.pictures) - 1


def test_seconds_minutes_tenths_and_ends(recorded):
    end = recorded.end_ns
    for keys, time_ns in (
        (["full_stop"], 10 * SECOND_NS),
        (["full_stop", "full_stop", "comma"], 10 * SECOND_NS),
        (["comma"], 0),
        (["pagedown"], min(60 * SECOND_NS, end)),
        (["pagedown", "pageup"], max(0, min(60 * SECOND_NS, end) - 60 * SECOND_NS)),
        (["5"], end // 2),
        (["9", "0"], 0),
        (["end"], end),
        (["end", "home"], 0),
    ):
        app, _ = walked(recorded, *keys)
        assert app.picture.time_ns == pytest.approx(time_ns, abs=51_000_000), keys


def test_n_and_b_go_from_event_to_event_and_say_what_it_was(recorded):
    first, second = recorded.made[:2]
    app, text = walked(recorded, "n")
    assert app._shown == first.number
    assert first.text in text
    app, text = walked(recorded, "n", "n")
    assert app._shown == next(it.number for it in recorded.made if it.number > first.number)
    app, _ = walked(recorded, "n", "n", "b")
    assert app._shown == first.number
    _, text = walked(recorded, "b")
    assert "all events: none before this moment" in text
    _, text = walked(recorded, "end", "n")
    assert "all events: none after this moment" in text
    assert second.time_ns >= first.time_ns


def test_f_chooses_what_n_and_b_stop_at(recorded):
    alarm = next(it for it in recorded.made if it.kind == "alarm")
    app, text = walked(recorded, "f")
    assert "n and b stop at dangers" in text
    danger = next(it for it in recorded.made if it.kind == "alarm" and it.word == "danger")
    assert danger.number > alarm.number, "what is graver comes later here, so that the two are told apart"
    app, _ = walked(recorded, "f", "n")
    assert app._shown == danger.number
    _, text = walked(recorded, "f", "f")
    assert "n and b stop at alarms" in text
    app, text = walked(recorded, "f", "f", "n")
    assert app._shown == alarm.number
    step = next(it for it in recorded.made if it.kind == "step")
    app, _ = walked(recorded, *"fff", "n")
    assert app._shown == step.number
    _, text = walked(recorded, *"ffff", "n")
    assert "notes: none after this moment" in text
    _, text = walked(recorded, *"fffff")
    assert "n and b stop at all events" in text


def test_the_second_before_the_first_danger_is_three_keys_away(recorded):
    danger = next(it for it in recorded.made if it.kind == "alarm" and it.word == "danger")
    app, text = walked(recorded, "f", "n", "minus")
    assert KEYS in text, "what was said of the danger is not said a second before it"
    before = recorded.times[danger.number] - SECOND_NS
    assert app._shown == recorded.number_at(before)
    for key in ("plus", "equals_sign"):
        app, _ = walked(recorded, "f", "n", "minus", key)
        assert app._shown == danger.number


def test_the_list_shows_every_event_and_enter_goes_there(recorded):
    app, text = walked(recorded, "l")
    assert f"EVENTS  {len(recorded.made)}" in text
    assert f"> 00:0{recorded.made[0].time_ns // SECOND_NS} " in text
    app, _ = walked(recorded, "l", "down", "down", "up", "enter")
    assert app._shown == recorded.made[1].number
    app, text = walked(recorded, "l", "pagedown", "pagedown", "down", "enter")
    assert app._shown == recorded.made[min(len(recorded.made) - 1, 21)].number
    app, text = walked(recorded, "l", "pageup", "x")
    assert KEYS in text


def test_the_list_of_nothing_goes_nowhere(recorded):
    recorded.made = []
    app, _ = walked(recorded, "l", "down", "enter")
    assert app._shown == 0
