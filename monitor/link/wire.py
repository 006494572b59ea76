"""What goes over the broker: five topics a rig, their messages as bytes, and back.

Nothing is believed that comes back: a message is read whole against its shape or it is a BadMessage with one sentence.
A picture comes back as it was but for its times, which are rounded to a tenth of a millisecond (ages of readings to one), and
its transitions, which go by themselves so that none is lost where pictures are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, dataclass, fields
from typing import Annotated, Any, Literal, TypeVar, get_type_hints
from urllib.parse import quote, unquote

import orjson
from pydantic import BaseModel, ConfigDict, Field, ValidationError, create_model, model_validator

from monitor.engine import picture as whole
from monitor.engine.picture import Picture, Priority, Transition

ROOT = "inchwatch"
LEAVES = ("rig", "presence", "picture", "alarms", "call")
VERSION = 1
LARGEST = 262_144
"""No message has more bytes; the broker's configuration that comes with this program takes as much."""
CALLS = 8
"""A picture tells so many of the newest calls that were taken."""
CHANGES = 64
"""So many of the newest changes of alarms are told with each, for whoever missed the last."""
WHO_MOST, REASON_MOST, ID_MOST = 24, 72, 40

_Time = Annotated[float, Field(ge=0.0, le=1e9, description="seconds since the session began")]
_Id = Annotated[str, Field(min_length=1, max_length=ID_MOST)]
_Text = Annotated[str, Field(max_length=1000)]


class BadMessage(ValueError):
    """Bytes that are no message of theirs. The text says what was found and what is allowed."""


def topic(rig: str, leaf: str) -> str:
    """Where a rig's messages of one kind go. What a topic level may not hold is written in %XX."""
    level = "".join(quote(c, safe="") if c in "/+#%" or not c.isprintable() else c for c in rig)
    return f"{ROOT}/{level}/{leaf}"


def rig_of(name: str) -> tuple[str, str] | None:
    """(rig, kind of message) of a topic; None where it is none of ours."""
    root, _, rest = name.partition("/")
    level, _, leaf = rest.partition("/")
    return (unquote(level), leaf) if root == ROOT and level and leaf in LEAVES else None


class _Shape(BaseModel):
    model_config = ConfigDict(frozen=True, strict=True, extra="ignore", allow_inf_nan=False)


def _kept_under_its_name(of: type, *but: str, **instead: Any) -> type[_Shape]:
    """The shape of a part of the picture that is an object's value, its name the key."""
    hints = get_type_hints(of)
    given = {
        it.name: (hints[it.name], ... if it.default is MISSING else it.default)
        for it in fields(of)
        if it.name not in ("name", *but)
    }
    return create_model(of.__name__.removesuffix("Picture"), __base__=_Shape, __doc__=of.__doc__, **(given | instead))


_Bag: Any = _kept_under_its_name(whole.BagPicture)
_Stack: Any = _kept_under_its_name(whole.StackPicture, bags=(dict[str, _Bag], ...))
_Shore: Any = _kept_under_its_name(whole.ShorePicture)
_Sensor: Any = _kept_under_its_name(whole.SensorPicture)


class _Port(_Shape):
    up: bool | None
    text: str
    since: _Time = 0.0


class _Now(_Shape):
    progress: float | None
    left: str
    done: bool


class _Step(_Shape):
    step: int
    do: str
    bag: str | None
    stop: str
    started: _Time | None
    ended: _Time | None
    ok: bool | None


class _Zero(_Shape):
    ready: bool
    why_not: str
    live_ready: bool


class _Item(_Shape):
    item: str
    who: str | None
    ticked: bool
    by: str | None
    t: _Time | None


class _Question(_Shape):
    about: str
    text: str
    since: _Time


class _Answer(_Shape):
    t: _Time
    do: str
    ok: bool
    text: str


class _Blind(_Shape):
    rule: str
    about: str
    because: str


class Standing(_Shape):
    """One alarm as it stands."""

    rule: str
    about: str
    priority: Literal["notice", "caution", "warning", "danger"]
    raised: _Time | None
    cleared: _Time | None
    acknowledged: _Time | None
    text: str
    evidence: dict[str, float | str | None]
    state: whole.AlarmState
    active: bool
    first: bool
    under: str | None
    chattering: bool

    def alarm(self) -> whole.AlarmPicture:
        """It, as the picture holds it."""
        return whole.AlarmPicture(
            rule=self.rule,
            about=self.about,
            priority=Priority[self.priority.upper()],
            state=self.state,
            active=self.active,
            raised_ns=_ns(self.raised),
            cleared_ns=_ns(self.cleared),
            acknowledged_ns=_ns(self.acknowledged),
            text=self.text,
            evidence=tuple(self.evidence.items()),
            first=self.first,
            under=self.under,
            chattering=self.chattering,
        )


class Change(Standing):
    """One change of one alarm; `n` counts them from 1, so that each is told once."""

    n: Annotated[int, Field(ge=1)]
    t: _Time

    def transition(self) -> Transition:
        """It, as the picture holds it."""
        return Transition(_ns(self.t) or 0, self.alarm())


class _Message(_Shape):
    v: Literal[1]


class _OfSession(_Message):
    session: Annotated[_Id, Field(description="a name of this one session of the operator's monitor")]


class RigMessage(_OfSession):
    """What is watched (retained). `document` is the rig file as recordings keep it; `began` is in seconds since 1970."""

    rig: str
    document: Annotated[str, Field(max_length=LARGEST)]
    software: _Text
    began: Annotated[float, Field(ge=0.0, le=1e11)]
    recording: _Text


class PresenceMessage(_OfSession):
    """Whether the operator's monitor is there (retained). `lost` is its Last Will, `ended` its good-bye."""

    here: bool
    why: Literal["here", "ended", "lost"]


class PictureMessage(_OfSession):
    """Everything the engine knows, ten times a second and at once where an alarm or STOP changes.

    `beat` counts the engine's pictures: one that stands while messages come is an engine that stands. `sent` is when this
    message was, by the session's clock, `link` counts the connections to the broker. `calls` are the ids of the newest calls
    of STOP that the engine has taken.
    """

    link: Annotated[int, Field(ge=0)]
    beat: Annotated[int, Field(ge=0)]
    sent: _Time
    calls: Annotated[list[_Id], Field(max_length=CALLS)]
    kind: Literal["picture"]
    t: _Time
    rig: str
    step: int | None
    now: _Now | None
    steps: list[_Step]
    zeroed: _Time | None
    zero: _Zero
    load: whole.LoadPicture
    hinge: whole.HingePicture
    balance: whole.BalancePicture
    stacks: dict[str, _Stack]
    shores: dict[str, _Shore]
    captured_m: float | None
    uncaptured_m: float | None
    fall_m: float | None
    held_by: list[str] | None
    alarms: list[Standing]
    unknown: list[_Blind]
    sensors: dict[str, _Sensor]
    ports: dict[str, _Port]
    checklist: list[_Item]
    questions: list[_Question]
    stop: str | None
    flood: bool
    abandoned: bool
    answer: _Answer | None

    @model_validator(mode="after")
    def _worked_step_is_one_of_them(self) -> PictureMessage:
        if self.step is not None and not 1 <= self.step <= len(self.steps):
            raise ValueError(f"step {self.step} of {len(self.steps)}")
        return self

    def picture(self) -> Picture:
        """It, as a screen draws it."""
        return Picture(
            time_ns=_ns(self.t) or 0,
            rig=self.rig,
            zero=whole.ZeroPicture(_ns(self.zeroed), self.zero.ready, self.zero.why_not, self.zero.live_ready),
            step=None
            if self.step is None or self.now is None
            else whole.NowPicture(self.step, self.now.progress, self.now.left, self.now.done),
            steps=tuple(
                whole.StepPicture(s.step, s.do, s.bag, s.stop, _ns(s.started), _ns(s.ended), s.ok) for s in self.steps
            ),
            load=self.load,
            hinge=self.hinge,
            balance=self.balance,
            stacks=tuple(
                whole.StackPicture(name, **_said(it) | {"bags": _named(whole.BagPicture, it.bags)})
                for name, it in self.stacks.items()
            ),
            shores=_named(whole.ShorePicture, self.shores),
            captured_m=self.captured_m,
            uncaptured_m=self.uncaptured_m,
            fall_m=self.fall_m,
            held_by=None if self.held_by is None else tuple(self.held_by),
            alarms=tuple(it.alarm() for it in self.alarms),
            transitions=(),
            blind=tuple(whole.Blind(it.rule, it.about, it.because) for it in self.unknown),
            sensors=_named(whole.SensorPicture, self.sensors),
            ports=tuple(whole.PortPicture(n, it.up, it.text, _ns(it.since) or 0) for n, it in self.ports.items()),
            stop_called=self.stop,
            answer=None
            if self.answer is None
            else whole.Answer(_ns(self.answer.t) or 0, self.answer.do, self.answer.ok, self.answer.text),
            checklist=tuple(whole.ItemPicture(it.item, it.who, it.by, _ns(it.t)) for it in self.checklist),
            questions=tuple(whole.Question(it.about, it.text, _ns(it.since) or 0) for it in self.questions),
            flood=self.flood,
            abandoned=self.abandoned,
        )


class AlarmsMessage(_OfSession):
    """Every alarm that is not normal, and the newest changes (retained, QoS 1)."""

    standing: list[Standing]
    changes: Annotated[list[Change], Field(max_length=CHANGES)]


class CallMessage(_Message):
    """What people call to each other (QoS 1). `stop` is taken by the operator's monitor, from anybody; the others are said by it:
    `clear-stop` when the operator has cleared STOP, `hello` so that two of one rig hear of each other."""

    do: Literal["stop", "clear-stop", "hello"]
    by: Annotated[str, Field(max_length=WHO_MOST)]
    id: _Id
    reason: Annotated[str, Field(max_length=REASON_MOST)] = ""
    session: _Id | None = None


SHAPES: Mapping[str, type[_Message]] = {
    "rig": RigMessage,
    "presence": PresenceMessage,
    "picture": PictureMessage,
    "alarms": AlarmsMessage,
    "call": CallMessage,
}


def encode(message: Mapping[str, Any]) -> bytes:
    """A message as bytes, with its version."""
    return orjson.dumps({"v": VERSION} | dict(message))


M = TypeVar("M", bound=_Message)


def decode(shape: type[M], payload: bytes) -> M:
    """A message of a shape. Raises BadMessage."""
    if len(payload) > LARGEST:
        raise BadMessage(f"found a message of {len(payload)} bytes; at most {LARGEST} are allowed")
    try:
        return shape.model_validate_json(payload)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False)[0]
        where = ".".join(map(str, first["loc"])) or "the message"
        raise BadMessage(f"found {_short(first['input'])} at {_plain(where, 60)}: {first['msg'].lower()}") from None


@dataclass(frozen=True, slots=True)
class Call:
    """A call of STOP: who calls, why, and the name by which it is confirmed ("" where it has none). `odd`: what was wrong
    with it, in a sentence; a STOP that can be understood is one all the same."""

    by: str
    reason: str
    id: str
    odd: str = ""


def read_call(payload: bytes) -> Call | CallMessage:
    """A call: a Call where it is STOP, else what was said. Raises BadMessage.

    Read more kindly than any other message: whoever calls STOP is not to be refused for a wrong key.
    """
    if len(payload) > LARGEST:
        raise BadMessage(f"found a call of {len(payload)} bytes; at most {LARGEST} are allowed")
    try:
        given = orjson.loads(payload)
    except orjson.JSONDecodeError:
        raise BadMessage("found a call that is no JSON; allowed is an object with v, do, by, reason and id") from None
    if not isinstance(given, dict) or type(given.get("v")) is not int or given["v"] != VERSION:
        found = given.get("v") if isinstance(given, dict) else given
        raise BadMessage(f'found a call of version {_short(found)}; allowed is an object with "v": {VERSION}')
    if given.get("do") != "stop":
        return decode(CallMessage, payload)
    odd = [key for key in given if key not in CallMessage.model_fields]
    odd += [key for key in ("by", "reason", "id", "session") if not isinstance(given.get(key, ""), str | None)]
    by = _line(given.get("by"), WHO_MOST) or "the network"
    said = f"found a call of STOP with a strange {_plain(odd[0], 24)}; it was taken" if odd else ""
    return Call(by, _line(given.get("reason"), REASON_MOST), _line(given.get("id"), ID_MOST), said)


def schemas() -> dict[str, Any]:
    """The JSON Schema of what is said on each topic."""
    return {topic("RIG", leaf): shape.model_json_schema() for leaf, shape in SHAPES.items()}


def legible(text: str) -> str:
    """What others say, with a dot for each sign that a terminal would obey."""
    return "".join(sign if sign.isprintable() else "·" for sign in text)


def _line(given: object, most: int) -> str:
    """A text of somebody else's as one line of at most so many signs; nothing where it is no text."""
    return _plain(given, most) if isinstance(given, str) else ""


def _plain(text: str, most: int) -> str:
    return "".join(c if c.isprintable() else " " for c in text[:most]).strip()


def _short(found: object) -> str:
    text = _plain(repr(found)[:200], 60)
    return text if len(text) < 60 else text[:57] + "..."


def _ns(time_s: float | None) -> Any:
    return None if time_s is None else round(time_s * 1e9)


def _said(it: BaseModel) -> dict[str, Any]:
    return dict(it)


def _named(of: Any, given: Mapping[str, BaseModel]) -> tuple[Any, ...]:
    return tuple(of(name, **dict(it)) for name, it in given.items())
