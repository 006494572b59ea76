"""Runs the rule table over a scene at one tick, and fails closed: a rule that breaks is unknown, loudly; the rest go on."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from monitor.engine.alarms import AlarmBook
from monitor.engine.causes import wider_places
from monitor.engine.conditions import Measured, Outcome, Scene, Unknown
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


class Watch:
    """A rule table and the alarms that come of it."""

    def __init__(self, rules: tuple[Rule, ...] = RULES) -> None:
        self.rules = rules
        self._broken = tuple(replace(rule, **_FAILED) for rule in rules)
        self.book = AlarmBook(self._broken + rules)
        self._failed: set[tuple[str, str]] = set()
        self._scene: Scene | None = None

    def look(self, scene: Scene) -> tuple[Blind, ...]:
        """Judge every rule at every place; returns those that could not be judged, each once."""
        now_ns = scene.picture.time_ns
        if self._scene is None:
            self.book.wider = wider_places(scene.rig)
        self._scene = scene
        blind: dict[tuple[str, str], Blind] = {}
        for rule, broken in zip(self.rules, self._broken, strict=True):
            for about in rule.about(scene):
                outcome = self._judge(rule, broken, scene, about)
                self.book.look(rule, about, outcome, now_ns)
                if isinstance(outcome, Unknown):
                    blind.setdefault((rule.name, about), Blind(rule.name, about, outcome.because))
                    if rule.priority is Priority.DANGER:
                        for channel in outcome.channels:
                            names = scene.dark.setdefault(channel, [])
                            names.append(f"{rule.name} {about}")
        return tuple(blind.values())

    def places(self, name: str) -> tuple[str, ...]:
        """Everything that a rule watches, each once; nothing before the first look."""
        if self._scene is None:
            return ()
        return tuple(dict.fromkeys(it for rule in self.rules if rule.name == name for it in rule.about(self._scene)))

    def _judge(self, rule: Rule, broken: Rule, scene: Scene, about: str) -> Outcome:
        try:
            outcome, failure = rule.look(scene, about), None
        except Exception as error:  # noqa: BLE001 - whatever breaks in one rule must not silence the others
            failure = f"rule failed: {type(error).__name__}"
            outcome = Unknown(failure)
        if failure:
            self._failed.add((rule.name, about))
        if (rule.name, about) in self._failed:
            gone = Measured(2.0 if failure else 0.0, failure or "", {"failed": failure})
            self.book.look(broken, about, gone, scene.picture.time_ns)
        return outcome
