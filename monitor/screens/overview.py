"""All rigs on one screen, a row each, the worst first; any of them opens as the safety officer's screen.

STOP needs no question: the space bar calls it on the rig that is chosen, at once. Which one that is stays the same however the
rows move, is written over the whole width, and is said again where the call is confirmed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Protocol, Unpack

from monitor import quantities as show
from monitor.engine.picture import AlarmPicture, Picture
from monitor.screens import board, hazards
from monitor.screens.feed import Feed
from monitor.screens.frame import Frame, filled, keys_help
from monitor.screens.ink import Line, Role, fit
from monitor.screens.live import How
from monitor.screens.safety import SIGNED, Officer, OfficerScreen
from monitor.screens.sound import to_hear
from replay.entries import Detail

Row = tuple[str, Picture | None, str]
"""A rig's name, its newest picture, why that cannot be trusted now ("" while it can)."""

KEYS = "space STOP on the chosen rig  up/down choose  enter opens  ? help  q quit"
HELP: tuple[tuple[str, str], ...] = (
    ("space", "call STOP on the chosen rig: at once; then its reason may be typed"),
    ("up", "choose a rig; down chooses the other way; the rows stand still meanwhile"),
    ("enter", "the safety officer's screen of the chosen rig; escape comes back"),
    ("t", "light or dark"),
    ("q", "quit: this screen ends (asks); the operators' go on"),
)
STILL_S = 5.0
"""After an arrow key the rows keep their order this long: what moves under a finger is chosen by mistake."""
_WORD = 8


class Rigs(Protocol):
    """The screen's only door to the rest of the program. Every call returns at once."""

    def rows(self) -> list[Row]:
        """Every rig that is heard of."""

    def feed(self, name: str) -> Feed | None:
        """A rig's own feed, to open it with; None until what the rig is has been heard."""

    def send(self, name: str, do: str, /, **details: Detail) -> None:
        """An action on a rig: STOP and its reason."""


@dataclass
class RigsView(Frame):
    """What the screen shows besides the rigs: the chosen one, the STOP called here on which, how long ago, not heard yet."""

    chosen: str = ""
    called: tuple[str, float] | None = None
    units: dict[str, str] = field(default_factory=dict)


def worst_first(rows: list[Row]) -> list[Row]:
    """STOP and what cannot be trusted first, then by the gravest alarm, new before seen, then by the fall."""
    return sorted(rows, key=lambda it: (_rank(it), it[0]))


def _rank(row: Row) -> tuple[float, int, float]:
    _, picture, trouble = row
    if picture is None:
        return (-5.0 if trouble else -2.5, 0, 0.0)
    worst, fresh, fall = hazards.graver(picture)
    return (min(-float(worst), -5.0 if trouble else 0.0), -fresh, -fall)


def overview(rows: list[Row], view: RigsView, columns: int, height: int) -> list[Line]:
    """The whole screen: exactly `height` lines of exactly `columns` cells. `rows` in the order they are to stand in."""
    if not rows:
        said = [fit([(view.trouble or "no rig is heard yet", Role.PLAIN)], columns)]
        return [*filled(said, columns, height - 1), _last(view, columns)]
    lines = [_count(rows, columns)]
    if view.help:
        lines += keys_help(HELP, columns)
        return [*filled(lines, columns, height - 2), *_stop_goes_to(view, columns), _last(view, columns)][-height:]
    each = 2 if len(rows) * 3 <= height - 4 else 1
    room = max(1, (height - 4) // (each + (each > 1)))
    at = next((i for i, row in enumerate(rows) if row[0] == view.chosen), 0)
    first = min(max(0, at - room + 1), max(0, len(rows) - room))
    for row in rows[first : first + room]:
        lines += _row(row, view, columns, each)
        if each > 1:
            lines.append(fit([], columns))
    hidden = len(rows) - len(rows[first : first + room])
    foot = [*_stop_goes_to(view, columns), _last(view, columns)]
    more = [fit([(f"{hidden} more rigs: up and down show them", Role.STRONG)], columns)] if hidden else []
    return [*filled([*lines, *more], columns, max(0, height - len(foot))), *foot][-height:]


def _count(rows: list[Row], columns: int) -> Line:
    """How many rigs, how many of them ask for somebody."""
    asking = sum(bool(trouble) or picture is None or bool(board.announced(picture)) for _, picture, trouble in rows)
    rigs = f"{len(rows)} rig{'s' if len(rows) != 1 else ''}"
    return fit(
        [(f"{rigs}, the worst first  ", Role.DIM), (f"{asking} with alarms or not seen" * bool(asking), Role.STRONG)],
        columns,
    )


def _row(row: Row, view: RigsView, columns: int, each: int) -> list[Line]:
    """One rig: name, gravest word, the fall, what it is about; in a second line what is to be done, and by whom it is held."""
    name, picture, trouble = row
    chosen = name == view.chosen
    units = view.units.get(name, "metric")
    mark: Line = [("▶ " if chosen else "  ", Role.STRONG)]
    word, about, do, role, ago = _said(picture, trouble)
    fall = "--" if picture is None or picture.fall_m is None else show.length(max(0.0, picture.fall_m), units)
    fallen: Line = [
        ("falls ", Role.OLD if trouble else Role.DIM),
        (
            f"{fall:>{14 if 'us' in view.units.values() else 8}}",
            Role.OLD if trouble else Role.UNKNOWN if fall == "--" else Role.STRONG,
        ),
        (" ", Role.PLAIN),
    ]
    cells = min(22, max(10, columns // 5))
    named = (f" {name[: cells - 1]:<{cells}}", Role.CHOSEN if chosen else Role.STRONG)
    told: Line = [(f"{word:<{_WORD}}", role), (about, role)]
    width = max(1, columns - len(ago) - 2)
    first: Line = [*fit([*mark, named, (" ", Role.PLAIN), *fallen, *told], width), (f" {ago} ", Role.DIM)]
    if each == 1:
        return [fit(first, columns)]
    held = [] if picture is None else hazards.held(picture)
    if trouble:
        held = [(text, Role.OLD) for text, _ in held]
    indent = " " * (2 + cells + 1)
    return [
        fit(first, columns),
        fit([(indent, Role.PLAIN), (f" {do.upper()}  " if do else " ", Role.STRONG), *held], columns),
    ]


def _said(picture: Picture | None, trouble: str) -> tuple[str, str, str, Role, str]:
    """(signal word, what it is about, what is to be done, its role, its age)."""
    if trouble:
        return "OLD", trouble, "watch the load itself", Role.DANGER, ""
    if picture is None:
        return "WAITING", "no picture has come yet", "", Role.UNKNOWN, ""
    if picture.stop_called is not None:
        return "STOP", f"called by {picture.stop_called}", "shut all valves", Role.DANGER, ""
    if (at := hazards.in_band(picture)) is not None:
        standing = board.announced(picture)
        it = standing[at]
        what, do = hazards.parted(it)
        more = f" (+{len(standing) - 1})" if len(standing) > 1 else ""
        about = f"{board.MARKS[it.state]}{'' if it.active else 'was: '}{what}{more}"
        return it.priority.name, about, do if it.active else "", board.alarm_role(it), hazards.age(it, picture)
    if picture.zero.taken_ns is None:
        return "NO ZERO", picture.zero.why_not, "", Role.UNKNOWN, ""
    if picture.blind:
        return "BLIND", f"{picture.blind[0].rule} {picture.blind[0].about} not watched", "", Role.UNKNOWN, ""
    return "no alarm", "", "", Role.DIM, ""


def _stop_goes_to(view: RigsView, columns: int) -> list[Line]:
    """Where STOP would go, over the whole width; what became of the one that was called."""
    lines: list[Line] = []
    if view.called is not None:
        name, ago = view.called
        late = "NOT HEARD: SHOUT, AND SPACE AGAIN" if ago >= 1.0 else "waiting for its monitor"
        lines.append(fit([(f" STOP CALLED ON {name} {hazards.span(ago)} ago: {late} ", Role.UNKNOWN)], columns))
    text = f" ▶ space calls STOP on  {view.chosen}"
    return [*lines, [(part, Role.CHOSEN) for part, _ in fit([(text, Role.CHOSEN)], columns)]]


def _last(view: RigsView, columns: int) -> Line:
    return fit([(view.message, view.message_role) if view.message else (KEYS, Role.DIM)], columns)


class OverviewScreen(OfficerScreen):
    """All rigs; while one is open, its safety officer's screen."""

    TITLE = "inchwatch rigs"

    def __init__(self, rigs: Rigs, **how: Unpack[How]) -> None:
        self.rigs = rigs
        self.officer: Officer | None = None
        self._view = RigsView()
        super().__init__(self._view, **how)
        self._rows: list[Row] = []
        self._order: list[str] = []
        self._still_until = 0.0
        self._called: tuple[str, float] | None = None
        self._stood = False

    def take(self, now: float) -> None:
        """The newest rows, in their order; the chosen rig stays the same one while it is there."""
        rows = {row[0]: row for row in self.rigs.rows()}
        if now >= self._still_until or set(rows) != set(self._order):
            self._order = [row[0] for row in worst_first(list(rows.values()))]
        self._rows = [rows[name] for name in self._order]
        if self._view.chosen not in rows and self.officer is None:
            gone, self._view.chosen = self._view.chosen, self._order[0] if self._order else ""
            if gone:
                self.say(f"{gone} is not heard of any more", Role.UNKNOWN)
        for name in rows:
            feed = self.rigs.feed(name)
            if feed is not None:
                self._view.units[name] = feed.rig.rig.units
        cleared = self.officer.take(now) if self.officer is not None else self._heard(rows, now)
        if cleared and self.note.display:
            self.close_note()

    def _heard(self, rows: dict[str, Row], now: float) -> bool:
        """What became of the STOP that was called here; True once one that stood is cleared."""
        if self._called is None:
            self._view.called = None
            return False
        name, since = self._called
        _, picture, trouble = rows.get(name, (name, None, ""))
        stands = picture is not None and picture.stop_called is not None and not trouble
        was, self._stood = self._stood, stands
        self._view.called = None if stands else (name, now - since)
        if was and not stands:
            self._called = self._view.called = None
            return True
        return False

    def drawing(self, columns: int, rows: int) -> list[Line]:
        """The rows, or the rig that is open."""
        if self.officer is not None:
            return self.officer.drawing(columns, rows)
        return overview(self._rows, self._view, columns, rows)

    def sounding(self) -> list[AlarmPicture]:
        """What is to be heard of any rig."""
        return [
            replace(alarm, about=f"{name} {alarm.about}".strip())
            for name, picture, trouble in self._rows
            for alarm in to_hear(picture, trouble)
        ]

    def stop(self) -> None:
        """STOP on the rig that is open, else on the chosen one; then its reason may be typed."""
        if self.officer is not None:
            self.officer.stop()
        elif self._view.chosen:
            self._call(self._view.chosen, SIGNED)
        else:
            self.say("no rig is heard yet: shout", Role.UNKNOWN)
            return
        self.called()

    def _call(self, name: str, reason: str) -> None:
        self._called, self._stood = (name, self._clock()), False
        self.rigs.send(name, "stop", reason=reason)

    def typed(self, text: str) -> bool:
        """The reason goes after the STOP, to the rig on which that was called."""
        if self.officer is not None:
            self.officer.stop(text)
        elif self._called is not None:
            self._call(self._called[0], text)
        return True

    def opened(self, key: str) -> bool:
        """While a rig is open its keys go to it; escape comes back here."""
        if self.officer is None:
            return False
        if self.officer.key(key):
            return True
        if key == "escape":
            self.officer, self._frame = None, self._view
            return True
        return False

    def press(self, key: str) -> None:
        """One key, one deed."""
        keys: dict[str, Callable[[], None]] = {
            "q": lambda: self.ask("q", "Quit this screen", self.exit),
            "t": self.turn,
            "question_mark": self.open_help,
        }
        if self.officer is None:
            keys |= {"up": lambda: self._move(-1), "down": lambda: self._move(1), "enter": self._open}
        if key in keys:
            keys[key]()

    def _move(self, way: int) -> None:
        if self._order:
            at = self._order.index(self._view.chosen) + way
            self._view.chosen = self._order[min(max(0, at), len(self._order) - 1)]
            self._still_until = self._clock() + STILL_S

    def _open(self) -> None:
        feed = self.rigs.feed(self._view.chosen) if self._view.chosen else None
        if feed is None:
            self.say("what this rig is has not been heard yet", Role.UNKNOWN)
            return
        self.officer = Officer(feed, self._clock, "all rigs")
        self._frame = self.officer.view


def run_overview(rigs: Rigs, **how: Unpack[How]) -> None:
    """Show all rigs until it is quit, or `for_s` seconds have passed."""
    OverviewScreen(rigs, **how).run()
