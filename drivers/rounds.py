"""Whom to ask next on a bus where one station may speak at a time. Pure: whoever asks says what time it is.

Every request has its own period. A station that does not answer is put aside and tried now and then, so seldom that all
such tries together take a twentieth of the bus: the others keep their rate however many are silent.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from drivers.registers import Span

_MISS, _GARBLED = 5, 1
"""What counts against a station: nothing heard; a garbled answer, for somebody is there, and a noisy line must not cost the
station its turn."""
_PATIENCE, _FIRST_PATIENCE = 2 * _MISS, _MISS
"""How much of that in a row puts a station aside: one that has answered before, and one that never has."""
_SHARE = 0.05
"""The share of the bus that may go into trying those put aside."""


@dataclass(slots=True)
class _Turn:
    span: Span
    due_s: float


@dataclass(slots=True)
class _Station:
    turns: list[_Turn] = field(default_factory=list)
    misses: int = 0
    answered: bool = False
    aside: bool = False
    rests_until_s: float = 0.0


class Rounds:
    """The order of requests. `next_turn` says which and when; `answered` and `missed` say how it went.

    `timeouts_s`: how long a miss of each station holds the bus. Times are seconds of any clock that never goes back.
    """

    def __init__(self, spans: Iterable[Span], timeouts_s: Mapping[int, float], now_s: float) -> None:
        self._timeouts_s = timeouts_s
        self._stations: dict[int, _Station] = {}
        self._next_try_s = now_s
        for span in spans:
            self._stations.setdefault(span.station, _Station()).turns.append(_Turn(span, now_s))

    @property
    def dead(self) -> bool:
        """Whether every station is put aside: then it is the bus that is silent."""
        return bool(self._stations) and all(it.aside for it in self._stations.values())

    @property
    def aside(self) -> list[int]:
        """The stations that are put aside."""
        return sorted(number for number, it in self._stations.items() if it.aside)

    def next_turn(self) -> tuple[Span, float] | None:
        """The next request and when it is due, or None if there is nothing to ask for."""
        turns = [
            (max(turn.due_s, it.rests_until_s, self._next_try_s if it.aside else turn.due_s), turn.due_s, turn.span)
            for it in self._stations.values()
            for turn in it.turns
        ]
        if not turns:
            return None
        due_s, _, span = min(turns, key=lambda at: at[:2])  # of those due at once, the one that has waited longest
        return span, due_s

    def answered(self, span: Span, now_s: float) -> None:
        """It was answered, if only by a refusal. What is late by more than a period is asked for once, not in a burst."""
        station = self._stations[span.station]
        station.misses, station.answered, station.aside = 0, True, False
        turn = next(it for it in station.turns if it.span == span)
        turn.due_s = max(turn.due_s + span.every_s, now_s)

    def missed(self, span: Span, now_s: float, garbled: bool = False) -> None:
        """Nothing that can be read has come. A station that said nothing rests for a time-out, so that an answer which comes
        late is not taken for that to the next request; in RTU nothing else tells them apart."""
        station = self._stations[span.station]
        station.misses += _GARBLED if garbled else _MISS
        if not garbled:
            station.rests_until_s = now_s + self._timeouts_s[span.station]
        turn = next(it for it in station.turns if it.span == span)
        turn.due_s = max(turn.due_s + span.every_s, now_s)
        if station.aside or station.misses >= (_PATIENCE if station.answered else _FIRST_PATIENCE):
            station.aside = True
            self._next_try_s = now_s + self._timeouts_s[span.station] / _SHARE

    def split(self, span: Span, parts: Iterable[Span]) -> None:
        """Ask for parts of a request from now on: a station that refuses the whole may give some of it."""
        station = self._stations[span.station]
        due_s = next(it.due_s for it in station.turns if it.span == span)
        station.turns = [it for it in station.turns if it.span != span] + [_Turn(part, due_s) for part in parts]
