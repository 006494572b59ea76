"""Runs the rule table over a scene at one tick, and fails closed: a rule that breaks is unknown, loudly; the rest go on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from math import inf
from typing import Any

from monitor.engine.alarms import AlarmBook
from monitor.engine.causes import wider_places
from monitor.engine.conditions import Measured, Outcome, Scene, Unknown
from monitor.engine.occasions import WAITS_FOR, Occasions, given
from monitor.engine.picture import Blind, Priority
from monitor.engine.rules import RULES, Rule

_FAILED: dict[str, Any] = {
    "priority": Priority.DANGER,
    "do": "watch it",
    "set_at": 1.0,
    "clear_at": 0.5,
    "on_s": 0.0,
    "latch": False,
    "group": "failed",
    "root_of": "",
}
"""The row that says of another that it failed. What a rule cannot say is no root of what the others say."""


_Row = tuple[str, Callable[[Scene, str], Outcome], float, float, int, Rule, Rule]
"""A rule at a place: the place, how it looks, up to which share nobody listens to what is seen (none where it ever sounded), the
same for all rows that share the look, which look it shares with another priority (-1: with none), itself, and its like for when
it breaks."""

_ALL = -inf
"""Where an alarm ever sounded, every share is listened to: it is to clear, and its words follow."""


class Watch:
    """A rule table and the alarms that come of it."""

    def __init__(self, rules: tuple[Rule, ...] = RULES) -> None:
        self.rules = rules
        self._broken = tuple(replace(rule, **_FAILED) for rule in rules)
        self.book = AlarmBook(self._broken + rules)
        self._failed: set[tuple[str, str]] = set()
        self._watched: list[_Row] = []
        """Every rule at every place. Asked once, since it depends on the rig alone."""
        self._called_for: list[_Row] = []
        self._for: tuple[frozenset[str], int, Occasions] | None = None

    def look(self, scene: Scene) -> tuple[Blind, ...]:
        """Judge every rule at every place; returns those that could not be judged, each once."""
        if not self._watched:
            self.book.wider = wider_places(scene.rig)
            self._watched = self._everywhere(scene)
        failed = self._failed
        now_ns = scene.picture.time_ns
        blind: dict[tuple[str, str], Blind] = {}
        shared: dict[int, Outcome] = {}
        for about, look, deaf, above, like, rule, broken in self._watched if failed else self._rows(scene):
            failure, scene.above = None, above
            try:
                if like < 0:
                    outcome = look(scene, about)
                elif like in shared:  # of two priorities that look at the same, the lesser is told what the graver saw
                    outcome = shared[like]
                else:
                    outcome = shared[like] = look(scene, about)
            except Exception as error:  # noqa: BLE001 - whatever breaks in one rule must not silence the others
                failure = f"rule failed: {type(error).__name__}"
                outcome = Unknown(failure)
            if deaf > _ALL and (outcome is None or (isinstance(outcome, Measured) and outcome.share <= deaf)):
                continue  # nothing to say where nothing was ever said: most rules at most places, at every tick
            if failure is not None or failed:
                self._tell_broken(broken, about, failure, now_ns)
            self.book.look(rule, about, outcome, now_ns)
            if isinstance(outcome, Unknown):
                blind.setdefault((rule.name, about), Blind(rule.name, about, outcome.because))
                if rule.priority is Priority.DANGER:
                    for channel in outcome.channels:
                        names = scene.dark.setdefault(channel, [])
                        names.append(f"{rule.name} {about}")
        return tuple(blind.values())

    def _everywhere(self, scene: Scene) -> list[_Row]:
        """Every row at every place, and all that it sees listened to."""
        pairs = [
            (rule, broken, about)
            for rule, broken in zip(self.rules, self._broken, strict=True)
            for about in rule.about(scene)
        ]
        looks = [(id(rule.look), about) for rule, _, about in pairs]
        often = {it for it, times in Counter(looks).items() if times > 1}
        return [
            (about, rule.look, _ALL, _ALL, looks.index(look) if look in often else -1, rule, broken)
            for look, (rule, broken, about) in zip(looks, pairs, strict=True)
        ]

    def _rows(self, scene: Scene) -> list[_Row]:
        """The rows that may have something to say while just these channels are odd and just these occasions are given: of those
        that are about channels, the rows of an odd one; of the others, those whose occasion is given; and all that ever sounded.
        Asked anew when any of this has changed."""
        known, odd = self.book.known, scene.odd
        now = odd, len(known), given(scene)
        if now != self._for:
            self._for, rank, occasions = now, self.book.rank, now[2]
            rows, least = [], dict[int, float]()
            for about, look, _, _, like, rule, broken in self._watched:
                occasion = WAITS_FOR.get(look)
                if (rank(rule), about) in known:
                    deaf = _ALL
                elif (rule.odd_only and about not in odd) or (occasion and not getattr(occasions, occasion)):
                    continue
                else:
                    deaf = rule.set_at
                least[like] = min(deaf, least.get(like, deaf))
                rows.append((about, look, deaf, like, rule, broken))
            self._called_for = [
                (about, look, deaf, deaf if like < 0 else least[like], like, rule, broken)
                for about, look, deaf, like, rule, broken in rows
            ]
        return self._called_for

    def places(self, name: str) -> tuple[str, ...]:
        """Everything that a rule watches; nothing before the first look."""
        return tuple(dict.fromkeys(about for about, *_, rule, _ in self._watched if rule.name == name))

    def _tell_broken(self, broken: Rule, about: str, failure: str | None, now_ns: int) -> None:
        """Raise the alarm of a rule that broke at a place, and let it clear once it works again."""
        if failure is not None:
            self._failed.add((broken.name, about))
        if (broken.name, about) in self._failed:
            gone = Measured(2.0 if failure else 0.0, failure or "", {"failed": failure})
            self.book.look(broken, about, gone, now_ns)
