"""Leads through the checks, one after another. Pure: pictures, readings and keys in; sentences, results and presses out.

What comes next is one generator that is handed each picture; time is what pictures and readings say.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping
from enum import Enum, auto

from drivers.reading import Reading
from monitor.engine.picture import Picture
from monitor.live.hand import Press
from monitor.prelift import answering, listening
from monitor.prelift.answering import Answer, Watched
from monitor.prelift.holding import NEEDS, Holding
from monitor.prelift.listening import LISTEN_NS, Listening
from monitor.prelift.results import Outcome, Result, Results
from monitor.prelift.targets import Target, targets
from monitor.rig.checklist import checklist
from monitor.rig.schema import Rig

Script = Generator[None, Picture, None]

_ZERO_WAIT_NS = 5_000_000_000
"""How long sensors are given to stand still for the zero (invented)."""
_AGAIN_NS = 1_000_000_000
_REST_WAIT_NS = 20_000_000_000
"""How long they are given to stand still before each breath; one that does not is left out then (invented)."""
_SAY_NS = 3_000_000_000
"""After how long it is said what is waited for (invented)."""
_SETTLE_NS = 1_000_000_000
"""How much longer is looked once a channel answers, for others that do as well (invented)."""


class Key(Enum):
    """What a person may press: done or next; leave this one out; this one again; no more."""

    NEXT = auto()
    SKIP = auto()
    AGAIN = auto()
    QUIT = auto()


class _Quit(Exception):
    """No more is to be done."""


class Guide:
    """The checks of one rig. `person`: somebody is there to be asked.

    `ask` is called with a target's or step's kind, name and sentence; `say` with narration; `result` with each result;
    `press` with what goes to the engine. `counters` gives what the ports have counted, `strangers` their sources that no
    channel names.
    """

    def __init__(
        self,
        rig: Rig,
        *,
        person: bool,
        ask: Callable[[str, str, str], None],
        say: Callable[[str], None],
        result: Callable[[Result], None],
        press: Callable[[Press], None],
        counters: Callable[[], Mapping[str, Mapping[str, int]]],
        strangers: Callable[[], Mapping[str, Mapping[str, int]]],
    ) -> None:
        self.rig, self.person = rig, person
        self.results = Results()
        self.finished = False
        self._ask, self._say, self._told, self._press = ask, say, result, press
        self._counters, self._strangers = counters, strangers
        self._listening = {channel.name: Listening(channel, rig.rig.units) for channel in rig.channel}
        self._watched = {
            channel.name: Watched(self._listening[channel.name].noise, round(channel.stale_after * 1e9))
            for channel in rig.channel
        }
        self._targets = targets(rig)
        self._answers: dict[str, Answer] = {}
        self._hearing = True
        self._left_out: set[str] = set()
        self._holding: Holding | None = None
        self._key: Key | None = None
        self._picture: Picture | None = None
        self._script = self._lead()
        next(self._script)

    def reading(self, it: Reading) -> None:
        """Take a reading."""
        if it.channel in self._watched:
            self._watched[it.channel].take(it)
            if self._hearing:
                self._listening[it.channel].take(it)

    def picture(self, it: Picture) -> None:
        """Take a picture: the clock goes on, and with it the checks."""
        self._picture = it
        if self.finished:
            return
        try:
            self._script.send(it)
        except (StopIteration, _Quit):
            self.finished = True

    def key(self, it: Key) -> None:
        """Take a key."""
        self._key = it

    def close(self, why: str) -> None:
        """No more will come. What has no result is said not to be done, and why."""
        self.finished = True
        if self._holding is not None:
            for it in self._holding.results(whole=True):
                if it.outcome is not Outcome.OPEN or not self.person:
                    self._tell(it)
        for item in self._picture.checklist if self._picture else ():
            if self.person and item.ticked:
                self.results.take(Result("checklist", item.item, Outcome.OK, f"ticked by {item.by}"))
        for check, about in self._all():
            if self.results.get(check, about) is None:
                self.results.take(Result(check, about, Outcome.OPEN, self._why_undone(check, why)))

    def _why_undone(self, check: str, why: str) -> str:
        if check == "zero" and self._picture is not None and self._picture.zero.why_not:
            return f"not taken, {why}: {self._picture.zero.why_not}"
        if check == "checklist" and self.person:
            return "not ticked"
        return why if self.person or check not in ("checklist", "breath", "wiggle") else "needs a person"

    def _all(self) -> list[tuple[str, str]]:
        """Everything that is to be checked."""
        found = [("port", port.name) for port in self.rig.port]
        found += [("live", channel.name) for channel in self.rig.channel]
        found += [("zero", "")]
        found += [("checklist", it.item) for it in checklist(self.rig)]
        found += [(it.check, it.name) for it in self._targets]
        return found + [("hold", bag.name) for stack in self.rig.stack for bag in stack.bag]

    def _tell(self, it: Result) -> None:
        self.results.take(it)
        self._told(it)

    def _pressed(self) -> Key | None:
        key, self._key = self._key, None
        if key is Key.QUIT:
            raise _Quit
        return key

    def _lead(self) -> Script:
        picture = yield
        yield from self._listen(picture.time_ns)
        yield from self._zero()
        if self.person:
            yield from self._tick_off()
            yield from self._answer_all()
        yield from self._hold()

    def _listen(self, since_ns: int) -> Script:
        self._say("listening to every channel")
        while True:
            picture = yield
            self._pressed()
            if picture.time_ns - since_ns >= LISTEN_NS:
                break
        self._hearing = False
        counters, strangers = self._counters(), self._strangers()
        for port in picture.ports:
            self._tell(listening.port(port, counters.get(port.name, {}), strangers.get(port.name, {})))
        for it in self._listening.values():
            self._tell(it.judge(picture.time_ns))

    def _zero(self) -> Script:
        """Take the zero from all channels, or, when some have stayed silent, from the rest; then give up the plan: a breath
        of air is no step of it."""
        picture = yield
        since_ns, pressed_ns, missing = picture.time_ns, -_AGAIN_NS, ""
        while picture.zero.taken_ns is None:
            self._pressed()
            waited_ns = picture.time_ns - since_ns
            late, zero = waited_ns >= _ZERO_WAIT_NS, picture.zero
            if late and (not zero.live_ready or waited_ns >= 2 * _ZERO_WAIT_NS):
                self._tell(Result("zero", "", Outcome.WRONG, f"not taken: {zero.why_not}"))
                return
            if (zero.ready or (late and zero.live_ready)) and picture.time_ns - pressed_ns >= _AGAIN_NS:
                self._press(("zero", {"live_only": True}))
                pressed_ns, missing = picture.time_ns, zero.why_not
            picture = yield
        text = f"taken from the channels that are live only: {missing}" if missing else "taken"
        self._tell(Result("zero", "", Outcome.WRONG if missing else Outcome.OK, text))
        if self.rig.step:
            self._press(("abandon", {}))

    def _tick_off(self) -> Script:
        for number, it in enumerate(checklist(self.rig), 1):
            self._say(f"  {number:>2}  {it.item}" + (f" ({it.who})" if it.who else ""))
        self._ask("checklist", "", "tick off what has been looked at: type its number")
        while True:
            yield
            if self._pressed() in (Key.NEXT, Key.SKIP):
                return

    def _answer_all(self) -> Script:
        self._say("a breath is so little air that the load does not move; nobody is under it or beside it")
        at = 0
        while at < len(self._targets):
            onward = yield from self._answer(self._targets[at])
            at = max(0, at + onward)

    def _answer(self, target: Target) -> Generator[None, Picture, int]:
        """One breath or move. How many targets to go on by: 1, or -1 if the one before is wanted again, 0 if this one is."""
        yield from self._rest()
        self._ask(target.check, target.name, target.ask)
        answered_ns: int | None = None
        while True:
            picture = yield
            key = self._pressed()
            if key is Key.AGAIN:
                return -1
            if key is Key.SKIP:
                self._tell(Result(target.check, target.name, Outcome.OPEN, "skipped"))
                return 1
            if answered_ns is None and self._kin_answers(target):
                answered_ns = picture.time_ns
            if key is Key.NEXT or (answered_ns is not None and picture.time_ns - answered_ns >= _SETTLE_NS):
                break
        answer = self._answered(target, picture.time_ns)
        self._judge(answer)
        again = yield from self._return(target, answer)
        return 0 if again else 1

    def _rest(self) -> Script:
        """Wait until all stand still; what does not in time is left out, and waited for no more, until it does by itself."""
        picture = yield
        since_ns, said = picture.time_ns, False
        while True:
            now_ns = picture.time_ns
            unquiet = {name for name, it in self._watched.items() if it.heard(now_ns) and not it.rests(now_ns)}
            self._left_out &= unquiet
            waited_for = sorted(unquiet - self._left_out)
            waited_ns = now_ns - since_ns
            if not waited_for or waited_ns >= _REST_WAIT_NS:
                break
            if not said and waited_ns >= _SAY_NS:
                said = True
                self._say(f"waiting for {', '.join(waited_for)} to stand still")
            picture = yield
            if self._pressed() is Key.NEXT:
                break
        self._left_out |= unquiet
        if waited_for:
            self._say(f"left out, not standing still: {', '.join(waited_for)}")
        for name, it in self._watched.items():
            if it.heard(now_ns) and name not in unquiet:
                it.begin()
            else:
                it.leave_out()

    def _kin_answers(self, target: Target) -> bool:
        kind = self._watched_kind(target.channel)
        return any(
            abs(it.peak) >= answering.ANSWERS and self._watched_kind(name) == kind
            for name, it in self._watched.items()
            if it.rest is not None
        )

    def _watched_kind(self, channel: str) -> str:
        return self._listening[channel].channel.quantity

    def _answered(self, target: Target, now_ns: int) -> Answer:
        changes = {name: it.peak for name, it in self._watched.items() if it.rest is not None or not it.heard(now_ns)}
        kinds = {name: self._watched_kind(name) for name in self._watched}
        return Answer(target, changes, kinds)

    def _judge(self, answer: Answer) -> None:
        """Tell what came of it; and anew of the one it is crossed with, which could not be known then."""
        owners = {it.channel: it.name for it in self._targets}
        self._answers[answer.target.name] = answer
        all_answers = self._answers.values()
        self._tell(answering.judge(answer, all_answers, owners))
        if answer.instead is not None and (other := self._answers.get(owners[answer.instead])) is not None:
            anew = answering.judge(other, all_answers, owners)
            if self.results.get(anew.check, anew.about) != anew:
                self._tell(anew)

    def _return(self, target: Target, answer: Answer) -> Generator[None, Picture, bool]:
        """Wait until what answered is back: what is put back late would answer in the next one's place. True: again."""
        moved = [self._watched[name] for name in answer.answering]
        if moved:
            self._ask("return", target.name, target.undo)
        while not all(it.returned for it in moved):
            yield
            if (key := self._pressed()) is not None:
                return key is Key.AGAIN
        return False

    def _hold(self) -> Script:
        self._holding = None
        if self.person:
            self._ask(
                "hold",
                "",
                "press every bag, not so far that the load moves, shut every valve and touch nothing: then Enter",
            )
            while (yield) and (key := self._pressed()) is not Key.NEXT:
                if key is Key.SKIP:
                    for stack in self.rig.stack:
                        for bag in stack.bag:
                            self._tell(Result("hold", bag.name, Outcome.OPEN, "skipped"))
                    return
        self._say(f"holding: this takes {NEEDS}")
        self._holding = Holding(self.rig)
        while True:
            picture = yield
            results = self._holding.tick(picture)
            if self._pressed() is Key.SKIP:
                results = self._holding.results(whole=True)
            if results:
                self._holding = None
                for it in results:
                    self._tell(it)
                return
