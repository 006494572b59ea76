"""An alarm's line fits 80 columns whatever the names and values are, with its numbers and its action whole."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as some

from monitor import quantities as show
from monitor.engine.rules import RULES, WIDTH, line
from monitor.engine.wording import fitted, squeezed, told

names = some.text("abcXYZ0189-_", min_size=1, max_size=24)
units = some.sampled_from(["metric", "us"])
lengths = some.floats(0.0, 3.0)
pressures = some.floats(0.0, 12e5)
angles = some.floats(-1.6, 1.6)
speeds = some.floats(0.0, 0.3)
forces = some.floats(0.0, 2e6)


@some.composite
def worst(draw) -> tuple[str, str, str]:
    """(rule, what, its limit) as the conditions write them, with any values."""
    unit, name, other = draw(units), draw(names), draw(names)

    def length():
        return show.length(draw(lengths), unit)

    def pressure():
        return show.pressure(draw(pressures), unit)

    limit = draw(
        some.sampled_from(
            [
                ("uncaptured", length(), ", ", f"{length()} allowed"),
                ("shore-behind", f"{length()} gap", ", ", f"{length()} allowed"),
                ("shore-air-low", pressure(), ", ", f"needs {pressure()} to follow"),
                ("lean", length(), " of ", f"{length()} ring"),
                ("bag-pressure", pressure(), " of ", f"{pressure()} working"),
                (
                    "rise-rate",
                    f"{show.speed(draw(speeds), unit)} down",
                    ", ",
                    f"{show.speed(draw(speeds), unit)} allowed",
                ),
                ("tilt", show.angle(draw(angles)), ", ", f"{show.angle(draw(angles))} allowed"),
                ("over-centre", show.angle(draw(angles)), ", ", f"goes over at {show.angle(draw(angles))}"),
                ("overload", show.force(draw(forces), unit), ", ", f"{show.force(draw(forces), unit)} planned"),
                ("bag-order", f"filling, the step names {name}", "", ""),
                ("bag-early", f"filling, {name} short of its stop", "", ""),
                ("slip", f"{length()} in a second on the load", "", ""),
                ("hinge-shift", f"walked {length()} or sank {length()}", "", ""),
                ("sensor-lost", f"silent {draw(some.integers(1, 99999))} s, blinds lean {name}", "", ""),
                ("sensor-range", f"reads {length()}, out of its range, blinds lean {name}", "", ""),
                ("sensor-wire", f"at {draw(some.floats(0, 25)):.1f} mA, blinds {other}", "", ""),
                ("sensor-frozen", f"stuck at {pressure()}, blinds shore-behind", "", ""),
                ("sensor-disagrees", f"reads {length()}, the others say otherwise, blinds {other}", "", ""),
                ("sensor-disagrees", f"or {name} lies, blinds {other}", "", ""),
                ("link-lost", f"/dev/{name}: no such device, tried {draw(some.integers(1, 999))} times", "", ""),
            ]
        )
    )
    rule, seen, joint, at = limit
    trend = f", growing {show.speed(draw(speeds), unit)}" if rule == "lean" and draw(some.booleans()) else ""
    return rule, f"{seen}{joint}{at}{trend}", at


@given(worst(), names)
def test_every_row_with_its_worst_values_fits(worst, about):
    name, what, limit = worst
    for rule in (it for it in RULES if it.name == name):
        text = line(rule, about, what)
        assert len(text) <= WIDTH
        assert text.startswith(f"{rule.priority.name:<8}{rule.name} ")
        assert text.endswith(f" - {rule.do}")
        if limit:
            amount = re.sub(r"^(needs|goes over at) | (allowed|to follow|ring|working|planned)$", "", limit)
            assert f" {amount}" in text, "the limit's number is whole"
        body = text[len(f"{rule.priority.name:<8}{rule.name} ") : -len(f" - {rule.do}")]
        said = body[body.index(": ") :]
        for number in re.findall(r"(?<![\w.…/-])[\d./]+(?= (?:mm|m|in|bar|psi|kN|lbf|s)\b|°)", said):
            assert re.search(rf"(?<![\d./]){re.escape(number)}(?![\d./])", what), "no number is cut"


@pytest.mark.parametrize(
    ("about", "what", "room", "expected"),
    [
        ("S1", "251 mm of 250 mm ring, growing 4.0 mm/s", 60, "S1: 251 mm of 250 mm ring, growing 4.0 mm/s"),
        ("S1", "251 mm of 250 mm ring, growing 4.0 mm/s", 43, "S1: 251 mm of 250 mm ring, growing 4.0 mm/s"),
        ("S1", "251 mm of 250 mm ring, growing 4.0 mm/s", 42, "S1: 251 mm of 250 mm ring…"),
        ("N1", "152 mm gap, 6 mm allowed", 27, "N1: 152 mm…, 6 mm allowed"),
        ("N1", "152 mm gap, 6 mm allowed", 28, "N1: 152 mm gap, 6 mm allowed"),
        ("north-west-shore-1", "152 mm gap, 6 mm allowed", 42, "north-west-shore-1: 152 mm…, 6 mm allowed"),
        ("north-west-shore-1", "152 mm gap, 6 mm allowed", 40, "north-w…hore-1: 152 mm gap, 6 mm allowed"),
        ("north-west-shore-1", "152 mm gap, 6 mm allowed", 31, "nort…e-1: 152 mm…, 6 mm allowed"),
        ("north-west-shore-1", "152 mm gap, 6 mm allowed", 24, "nort…re-1: 152 mm…, 6 mm"),
        ("north-west-shore-1", "152 mm gap, 6 mm allowed", 17, "nort…e-1: …, 6 mm"),
        ("N1", "silent 13 s, blinds lean S1", 24, "N1: silent 13 s…lean S1"),
        ("N1", "silent 13 s, blinds lean S1", 20, "N1: silent 13 s…S1"),
        ("channel-of-the-north-wall", "silent 13 s", 30, "channel-…rth-wall: silent 13 s"),
        ("port-of-the-north-wall", "nothing heard from it since the start", 34, "port-o…h-wall: nothing heard…start"),
        ("crew", " " * 99, 30, "crew: …"),
        ("crew", "x" * 99, 30, f"crew: {'x' * 23}…"),
    ],
)
def test_what_goes_first(about, what, room, expected):
    assert fitted(about, what, room) == expected
    assert len(expected) <= room


ALIKE = "cannot open: 2 adapters are usb:YARD7: /dev/ttyUSB0 (0403:6001 at 1-1.0), /dev/ttyUSB1 (0403:6001 at 1-1.1); say which"


@pytest.mark.parametrize(
    ("about", "sentence", "room", "expected"),
    [
        ("net", "connection lost (broker 192.0.2.5:8883)", 60, "net: connection lost (broker 192.0.2.5:8883)"),
        ("net", "connection lost (broker 192.0.2.5:8883)", 35, "net: connection lost…"),
        ("bus", "no station answers: 1, 2 (/dev/ttyUSB1)", 35, "bus: no station answers: 1, 2…"),
        ("yard-serial", ALIKE, 37, "yard-serial: cannot open: 2 adapters…"),
        ("bench", ALIKE, 37, "bench: cannot open: 2 adapters are…"),
        ("bench", "x" * 99, 37, "bench: …"),
    ],
)
def test_of_what_was_told_the_beginning_stays(about, sentence, room, expected):
    assert told(about, sentence, room) == expected
    assert len(expected) <= room


@given(names, some.text("ab 1.,():", max_size=90), some.integers(30, 60))
def test_what_was_told_fits(about, sentence, room):
    text = told(about, sentence, room)
    assert len(text) <= room
    assert text == f"{about}: {sentence}" or text.endswith("…")


@given(some.text("ab 1.,", max_size=60), some.integers(1, 60))
def test_a_squeezed_text_fits(text, room):
    short = squeezed(text, room)
    assert len(short) <= room
    assert short == text or "…" in short
