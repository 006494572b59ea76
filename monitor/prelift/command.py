"""The body of `inchwatch sensors`: the checks before a lift on real ports, led line by line on a terminal.

Everything comes in on the session that `run` uses, is kept as it keeps it, and what is found goes into the journal as notes.
"""

from __future__ import annotations

import queue
import sys
import threading

import orjson

from drivers.reading import Reading
from monitor import encode
from monitor.engine.picture import AlarmState, Answer, Picture, Priority
from monitor.live import typed
from monitor.live.hand import Press
from monitor.live.opening import Call, NotOpened, ended, ended_by_signal, opened, typed_lines
from monitor.live.session import Session
from monitor.live.witness import Witness
from monitor.prelift.guide import Guide, Key
from monitor.prelift.results import Outcome, Result, Results

_KEYS = {"": Key.NEXT, "s": Key.SKIP, "r": Key.AGAIN, "q": Key.QUIT}
_DEEDS = {"next": Key.NEXT, "skip": Key.SKIP, "back": Key.AGAIN, "quit": Key.QUIT}
"""With `--actions -` these lead; every other verb goes to the engine, as with `run`."""
_LEGEND = "Enter: done, or next   s: leave out   r: again   q: end   a number: tick that item"
_OURS = ("note", "zero", "abandon")
_TOLD = ("link-lost", "sensor-")
"""Alarms whose trouble the checks themselves put into words."""
_CHECKS = ("port", "live", "zero", "checklist", "breath", "wiggle", "hold")

_Event = Reading | Picture | bytes | None


def sensors(call: Call) -> int:
    """Check a rig as called; returns the exit code: 0 only if all that was asked for has passed."""
    presses: queue.SimpleQueue[Press] = queue.SimpleQueue()

    def hand(_: Picture) -> Press | None:
        return None if presses.empty() else presses.get()

    try:
        it = opened("sensors", call, hand)
    except NotOpened as why:
        return why.code
    session = it.session
    print(session.recording, file=sys.stderr)
    stop = threading.Event()
    leading = _Leading(session, call, presses, it.for_s, stop)
    with ended_by_signal(stop):
        session.start(it.ports, Witness(it.keeper, leading.events.put))
        try:
            leading.lead()
        except BrokenPipeError:
            stop.set()
            raise
        finally:
            session.stop()
    return max(leading.verdict(), ended(session))


class _Leading:
    """Joins a session to the guide: events in order, words out, keys and actions in."""

    def __init__(
        self,
        session: Session,
        call: Call,
        presses: queue.SimpleQueue[Press],
        for_s: float | None,
        stop: threading.Event,
    ) -> None:
        self.events: queue.SimpleQueue[_Event] = queue.SimpleQueue()
        self._session, self._call, self._presses, self._stop = session, call, presses, stop
        self._for_ns = None if for_s is None else round(for_s * 1e9)
        self._person = for_s is None or call.actions
        self._answer: Answer | None = None
        session.on_picture, session.on_failure = self.events.put, lambda: self.events.put(None)
        self._guide = Guide(
            session.rig,
            person=self._person,
            ask=self._ask,
            say=self._say,
            result=self._result,
            press=presses.put,
            counters=session.counters,
            strangers=session.strangers,
        )

    def lead(self) -> None:
        """Go through the checks, to their end, the person's, or that of the time given."""
        if self._person:
            if not self._call.actions:
                self._say(_LEGEND)
            threading.Thread(target=self._read, name="actions", daemon=True).start()
        why = "stopped before"
        while not self._guide.finished and not self._stop.is_set() and self._session.failure is None:
            picture = self._next()
            if picture is not None and self._for_ns is not None and picture.time_ns >= self._for_ns:
                why = "the time was up"
                break
        self._guide.close(why)
        self._presses.put(("note", {"text": f"prelift: {_summary(self._guide.results)}"}))
        while not self._presses.empty() and self._session.failure is None:
            self._next()
        self._say_summary()

    def verdict(self) -> int:
        """The exit code: without a person, what needs one (or bags pressed by one) may be left undone."""
        wrong, needed = (Outcome.WRONG, Outcome.UNSURE), ("port", "live", "zero")
        return int(
            any(
                it.outcome in wrong or (it.outcome is Outcome.OPEN and (self._person or it.check in needed))
                for it in self._guide.results
            )
        )

    def _next(self) -> Picture | None:
        """Take the next event; the picture, if it is one."""
        try:
            event = self.events.get(timeout=1.0)
        except queue.Empty:
            return None
        if isinstance(event, Reading):
            self._guide.reading(event)
        elif isinstance(event, bytes):
            self._take_line(event.decode(errors="replace").strip())
        elif event is not None:
            self._take_picture(event)
            return event
        return None

    def _take_picture(self, picture: Picture) -> None:
        for it in picture.transitions:
            alarm = it.alarm
            if alarm.state is AlarmState.UNACKNOWLEDGED and alarm.priority >= Priority.WARNING:
                if self._call.as_json:
                    self._put(encode.transition(it))
                elif not alarm.rule.startswith(_TOLD):
                    print(f"ALARM       {alarm.text}", flush=True)
        if picture.answer is not None and picture.answer != self._answer:
            self._answer = picture.answer
            if self._answer.do not in _OURS:
                self._say(self._answer.text)
        self._guide.picture(picture)

    def _read(self) -> None:
        """Lines as they are typed; at their end nobody is there any more."""
        for line in typed_lines(sys.stdin.fileno()):
            self.events.put(line)
        self.events.put(b"q")

    def _take_line(self, line: str) -> None:
        if self._call.actions and line != "q":
            self._take_action(line)
        elif line.isdecimal():
            self._session.send("tick", item=line)
        elif (key := _KEYS.get(line.lower())) is not None:
            self._guide.key(key)
        else:
            print(f"found '{line[:40]}', allowed is one of  {_LEGEND}", file=sys.stderr, flush=True)

    def _take_action(self, line: str) -> None:
        if not line:
            return
        try:
            deed = orjson.loads(line).get("do")
        except (orjson.JSONDecodeError, AttributeError):
            deed = None
        if isinstance(deed, str) and deed in _DEEDS:
            self._guide.key(_DEEDS[deed])
            return
        try:
            verb, details = typed.parse(line)
        except typed.BadAction as error:
            print(f"standard input: {error}", file=sys.stderr)
        else:
            self._session.send(verb, **details)

    def _ask(self, check: str, about: str, text: str) -> None:
        if self._call.as_json:
            self._put({"kind": "ask", "check": check, "about": about, "text": text})
        else:
            print(f"\n> {text}  [Enter, s, r, q]", flush=True)

    def _say(self, text: str) -> None:
        print(text, file=sys.stderr if self._call.as_json else sys.stdout, flush=True)

    def _result(self, it: Result) -> None:
        self._presses.put(("note", {"text": it.note}))
        if self._call.as_json:
            self._put(_as_json(it))
        else:
            print(_line(it), flush=True)

    def _put(self, it: encode.Json) -> None:
        print(orjson.dumps(it).decode(), flush=True)

    def _say_summary(self) -> None:
        results = self._guide.results
        if self._call.as_json:
            summary = {check: {o.value: _count(results, check, o) for o in Outcome} for check in _CHECKS}
            self._put({"kind": "summary", "passed": self.verdict() == 0, "checks": summary,
                       "results": [_as_json(it) for it in results]})  # fmt: skip
            return
        print(f"\n{'':<12}" + "".join(f"{it.value:>12}" for it in Outcome))
        for check in _CHECKS:
            print(f"{check:<12}" + "".join(f"{_count(results, check, it) or '':>12}" for it in Outcome).rstrip())
        for it in results:
            if it.outcome in (Outcome.WRONG, Outcome.UNSURE):
                print(_line(it))
        for check in _CHECKS:
            for text, names in results.undone(check).items():
                print(f"{Outcome.OPEN.value:<11} {check}: {text}" + (f" ({', '.join(names)})" if any(names) else ""))
        print(f"pre-lift checks: {self._last_word()}", flush=True)

    def _last_word(self) -> str:
        if self.verdict():
            return "NOT passed"
        undone = sum(_count(self._guide.results, check, Outcome.OPEN) for check in _CHECKS)
        return f"nothing wrong in what was done, {undone} not done" if undone else "all passed"


def _count(results: Results, check: str, outcome: Outcome) -> int:
    return sum(it.outcome is outcome for it in results.of(check))


def _summary(results: Results) -> str:
    """All of it in one line, as the journal keeps it."""
    parts = []
    for outcome in Outcome:
        named = [f"{it.check} {it.about}".strip() for it in results if it.outcome is outcome]
        if named:
            parts.append(f"{len(named)} {outcome.value}" + ("" if outcome is Outcome.OK else f" ({', '.join(named)})"))
    return "; ".join(parts)


def _line(it: Result) -> str:
    word = it.outcome.value.upper() if it.outcome is Outcome.WRONG else it.outcome.value
    return f"{word:<11} {' '.join(filter(None, (it.check, it.about)))}: {it.text}"


def _as_json(it: Result) -> encode.Json:
    return {"kind": "result", "check": it.check, "about": it.about, "outcome": it.outcome.value, "text": it.text,
            "figures": dict(it.figures)}  # fmt: skip
