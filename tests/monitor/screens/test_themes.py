"""The colours of both themes: every text can be read, on few colours and on none, and by those who tell red from green badly."""

from __future__ import annotations

import asyncio
import itertools

import pytest
from rich.color import Color, ColorSystem
from rich.terminal_theme import TerminalTheme
from textual.color import Color as Drawn

from monitor.engine.picture import AlarmState, Priority
from monitor.screens import board
from monitor.screens.ink import DAY, DAY_GREY, NIGHT, NIGHT_GREY, Role, inks, plain, styles
from monitor.screens.operator import OperatorScreen

from .conftest import StandIn

THEMES = {"night": NIGHT, "day": DAY}
GREYS = {"night": NIGHT_GREY, "day": DAY_GREY}
EVERY = [(inks(day=day, colour=colour), role) for day in (False, True) for colour in (True, False) for role in Role]
FILLS = (Role.DANGER, Role.WARNING, Role.CAUTION, Role.NOTICE)
SEEN = (Role.DANGER_SEEN, Role.WARNING_SEEN, Role.CAUTION_SEEN, Role.NOTICE_SEEN)
LEAST = 4.5
"""WCAG 2.2, success criterion 1.4.3 (AA), for text that is not large."""

# Machado, Oliveira, Fernandes, A Physiologically-based Model for Simulation of Color Vision Deficiency, IEEE TVCG 15 (2009)
# 1291, severity 1.0; for linear RGB.
BLIND = {
    "deuteranopia": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
    "protanopia": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
}
APART = 10.0
"""CIE 1976 L*a*b* difference between colours that stand beside each other: some four times what is just seen."""

VGA = TerminalTheme(
    # The sixteen colours of the text modes that terminals descend from.
    (0, 0, 0),
    (255, 255, 255),
    [(0, 0, 0), (170, 0, 0), (0, 170, 0), (170, 85, 0), (0, 0, 170), (170, 0, 170), (0, 170, 170), (170, 170, 170)],
    [
        (85, 85, 85),
        (255, 85, 85),
        (85, 255, 85),
        (255, 255, 85),
        (85, 85, 255),
        (255, 85, 255),
        (85, 255, 255),
        (255, 255, 255),
    ],
)
Rgb = tuple[float, float, float]


def rgb(colour: str) -> Rgb:
    return tuple(int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))


def linear(colour: Rgb) -> Rgb:
    """IEC 61966-2-1 (sRGB), with the threshold as WCAG 2.2 gives it."""
    return tuple(c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in colour)


def luminance(colour: Rgb) -> float:
    """Relative luminance, WCAG 2.2."""
    return sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), linear(colour), strict=True))


def contrast(one: Rgb, other: Rgb) -> float:
    """Contrast ratio, WCAG 2.2."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def lab(part: Rgb) -> Rgb:
    """Linear sRGB to CIE 1976 L*a*b*, white D65 (CIE 15:2018, IEC 61966-2-1)."""
    rows = ((0.4124, 0.3576, 0.1805), (0.2126, 0.7152, 0.0722), (0.0193, 0.1192, 0.9505))
    xyz = [sum(a * b for a, b in zip(row, part, strict=True)) for row in rows]
    over = [v / w for v, w in zip(xyz, (0.9505, 1.0, 1.089), strict=True)]
    x, y, z = (v ** (1 / 3) if v > (6 / 29) ** 3 else v / (3 * (6 / 29) ** 2) + 4 / 29 for v in over)
    return 116 * y - 16, 500 * (x - y), 200 * (y - z)


def apart(one: str, other: str, eyes: str) -> float:
    """How far two colours are apart for such eyes."""

    def seen(colour: str) -> Rgb:
        part = linear(rgb(colour))
        return lab(tuple(min(1.0, max(0.0, sum(a * b for a, b in zip(row, part, strict=True)))) for row in BLIND[eyes]))

    return sum((a - b) ** 2 for a, b in zip(seen(one), seen(other), strict=True)) ** 0.5


def test_the_formulas_are_those_that_are_named():
    # WCAG 2.2: black on white is 21:1; the known border case #777777 on white is 4.48:1. A grey looks the same to all eyes.
    assert contrast((0, 0, 0), (1, 1, 1)) == pytest.approx(21.0)
    assert contrast(rgb("#777777"), (1, 1, 1)) == pytest.approx(4.48, abs=0.005)
    assert lab((1.0, 1.0, 1.0)) == pytest.approx((100.0, 0.0, 0.0), abs=0.05)
    for rows in BLIND.values():
        assert [sum(row) for row in rows] == pytest.approx([1.0] * 3, abs=2e-6)


@pytest.mark.parametrize(("theme", "role"), EVERY)
def test_every_text_can_be_read(theme, role):
    fore, back, _ = theme[role]
    assert contrast(rgb(fore), rgb(back)) >= LEAST


def greyed(colour: str) -> Rgb:
    """As Textual greys it where NO_COLOR is set."""
    it = Drawn.parse(colour).monochrome
    return it.r / 255, it.g / 255, it.b / 255


@pytest.mark.parametrize(("theme", "role"), EVERY)
def test_every_text_can_be_read_without_colour(theme, role):
    assert contrast(*map(greyed, theme[role][:2])) >= LEAST


def greyed_in_sixteen(colour: str) -> int:
    return Color.from_rgb(*(255 * part for part in greyed(colour))).downgrade(ColorSystem.STANDARD).number


@pytest.mark.parametrize("theme", GREYS)
def test_without_colour_the_graver_an_unseen_alarm_the_more_it_stands_out(theme):
    """From the paper, also where there are sixteen colours and no more: there a new danger looked like any strong word."""
    paper, grounds = GREYS[theme][Role.PLAIN][1], [GREYS[theme][role][1] for role in FILLS[:3]]
    out = [contrast(greyed(ground), greyed(paper)) for ground in grounds]
    assert out == sorted(out, reverse=True)
    assert out[-1] > 2.0
    assert all(more / less > 1.5 for more, less in itertools.pairwise(out))
    assert len({*map(greyed_in_sixteen, (*grounds, paper))}) == 4
    looks = {
        (greyed_in_sixteen(fore), greyed_in_sixteen(back), bold)
        for fore, back, bold in (GREYS[theme][it] for it in FILLS)
    }
    assert len(looks) == 4
    assert not styles(THEMES[theme])[Role.CHOSEN].underline
    assert styles(GREYS[theme])[Role.CHOSEN].underline, "else a rig that is chosen would look like a danger"


@pytest.mark.parametrize("colour", [True, False])
def test_a_screen_is_in_greys_where_no_colour_may_be_had(rig, leaning, monkeypatch, colour):
    monkeypatch.delenv("NO_COLOR", raising=False)
    if not colour:
        monkeypatch.setenv("NO_COLOR", "1")

    async def go() -> list[str]:
        app, seen = OperatorScreen(StandIn(rig, leaning), bell=False), []
        async with app.run_test(size=(80, 24)) as pilot:
            for _ in range(2):
                await pilot.pause()
                (first, *_) = app.sheet.render_line(0)
                seen.append(first.style.bgcolor.get_truecolor().hex)
                app.turn()
                app.redraw()
        return seen

    danger = [inks(day=day, colour=colour)[Role.DANGER][1] for day in (False, True)]
    assert asyncio.run(go()) == danger


@pytest.mark.parametrize(("theme", "role"), EVERY)
def test_every_text_can_be_read_in_sixteen_colours(theme, role):
    """As a terminal shows it that has no more than the sixteen."""
    shown = [Color.parse(it).downgrade(ColorSystem.STANDARD).get_truecolor(VGA) for it in theme[role][:2]]
    assert contrast(*(tuple(part / 255 for part in it) for it in shown)) >= LEAST


@pytest.mark.parametrize("theme", THEMES)
def test_in_sixteen_colours_an_unseen_alarm_of_each_priority_has_a_ground_of_its_own(theme):
    grounds = [Color.parse(THEMES[theme][role][1]).downgrade(ColorSystem.STANDARD).number for role in FILLS]
    paper = Color.parse(THEMES[theme][Role.PLAIN][1]).downgrade(ColorSystem.STANDARD).number
    assert len({*grounds, paper}) == 5


@pytest.mark.parametrize("eyes", BLIND)
@pytest.mark.parametrize("theme", THEMES)
def test_no_two_priorities_look_alike_to_eyes_that_tell_red_from_green_badly(theme, eyes):
    for one, other in itertools.combinations(FILLS, 2):
        assert apart(THEMES[theme][one][1], THEMES[theme][other][1], eyes) >= APART, (one, other)
    for one, other in itertools.combinations(SEEN, 2):
        assert apart(THEMES[theme][one][0], THEMES[theme][other][0], eyes) >= APART, (one, other)


@pytest.mark.parametrize("theme", THEMES)
def test_danger_warning_and_caution_differ_in_lightness_too(theme):
    danger, warning, caution = (luminance(rgb(THEMES[theme][role][1])) for role in FILLS[:3])
    assert (warning + 0.05) / (danger + 0.05) > 1.5
    assert (caution + 0.05) / (warning + 0.05) > 1.5


def test_every_priority_and_state_is_told_by_word_and_mark(make_alarm):
    states = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED)
    told = {
        plain([board.alarm_line(make_alarm("lean", priority, state), 80)])[:8]
        for priority, state in itertools.product(Priority, states)
    }
    assert len(told) == len(Priority) * len(states)


@pytest.mark.parametrize("theme", THEMES)
def test_nothing_blinks(theme):
    for style in styles(THEMES[theme]).values():
        assert not style.blink
        assert not style.blink2
