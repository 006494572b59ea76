"""An evaluation form: what an instructor wants of a lift, in TOML, and all that is wrong with it said at once.

A criterion is over one measured figure, or it is free: somebody looks and marks it. What full marks and part marks ask for is
written with units, as in a rig file.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, Field, ValidationError
from pydantic_core import ErrorDetails

from drivers.tables import Strict
from drivers.units import Ratio, UnitError, allowed, within_reason
from monitor.debrief.figures import EACH_OF, KINDS, Kind
from monitor.rig.lines import Lines
from monitor.rig.lines import Path as KeyPath
from monitor.rig.load import Fault, RigFaults, allowed_by, parsed, read_text, short, written

WHAT = "an evaluation form"
WORST = "worst"
"""As what a criterion is `of`: the worst of all steps, shores, ... that there are."""
_QUANTITY = {"s": "time", "m": "length", "m/s": "speed", "rad": "angle", "N": "force", "Pa": "pressure", "1": "ratio"}
_LINE = r"^[^\x00-\x1f\x7f]*[^\W\d][^\x00-\x1f\x7f]*$"
Words = Annotated[str, Field(min_length=1, max_length=72, pattern=_LINE)]
Points = Annotated[float, Field(gt=0.0, le=1000.0, strict=True)]
Limit = bool | float | str
Table = TypeVar("Table", bound=BaseModel)
_TAGS = frozenset(("bool", "float", "str", "int", "constrained-int", "constrained-str", "constrained-float"))
"""Marks that the schema puts behind a path where a value may be one of several kinds; no keys of a file."""


class Info(Strict):
    """What the form is for. `pass`: the share of the points that passes; left out, nothing but the musts decides.

    `known`: the least share of the lift in which a figure must have been known before it can earn anything (common practice,
    no source).
    """

    name: Words
    says: str = ""
    pass_: Annotated[Ratio | None, Field(alias="pass", gt=0.0, le=1.0)] = None
    known: Annotated[Ratio, Field(ge=0.0, le=1.0)] = 0.9


class Criterion(Strict):
    """One criterion. Without `figure` it is free, and somebody marks it.

    `full` asks for all `points`, `part` for some: pairs of a limit and its points, each easier than the one before and worth
    less. `between`, in place of `full`: the figure has to lie within, or there is nothing. `want`: whether less or more is
    better, where the figure itself does not say. `must`: with less than all points ("full"), or with none ("some"), the lift is
    not passed. `nothing`: what it earns where there was nothing to measure. `weight` multiplies points.
    """

    name: Words
    figure: str | None = None
    of: str | Annotated[int, Field(strict=True)] = ""
    points: Points
    weight: Annotated[float, Field(gt=0.0, le=100.0, strict=True)] = 1.0
    full: Limit | None = None
    part: Annotated[list[tuple[Limit, Points]], Field(max_length=20)] = []
    between: tuple[Limit, Limit] | None = None
    want: Literal["less", "more"] | None = None
    must: Literal["full", "some"] | None = None
    nothing: Literal["left out", "full", "zero"] = "left out"
    says: str = ""


class _Form(Strict):
    version: Literal[1]
    form: Info
    criterion: Annotated[list[Any], Field(min_length=1, max_length=200)]


@dataclass(frozen=True, slots=True)
class Band:
    """So many points, weighted, for a figure (SI) from `low` to `high`, both within; None: no bound on that side."""

    low: float | None
    high: float | None
    points: float

    def holds(self, value: float) -> bool:
        """Whether a value lies within."""
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)


@dataclass(frozen=True, slots=True)
class Asked:
    """A criterion, understood: its kind of figure (None: free), and its bands, the best first."""

    criterion: Criterion
    kind: Kind | None
    of: str
    bands: tuple[Band, ...]

    @property
    def points(self) -> float:
        """Full points, weighted."""
        return self.criterion.points * self.criterion.weight


@dataclass(frozen=True, slots=True)
class Form:
    """A whole form."""

    info: Info
    asked: tuple[Asked, ...]


def read_form(path: Path) -> Form:
    """The form in a file. Raises RigFaults."""
    return parse_form(read_text(path, WHAT), str(path))


def parse_form(text: str, where: str = "form") -> Form:
    """The form in a text. Raises RigFaults."""
    document = parsed(text, where, WHAT)
    sheet = Document(text, document)
    head = sheet.table(_Form, document, ())
    given = document.get("criterion")
    asked: list[Asked] = []
    names: dict[str, int] = {}
    for at, table in enumerate(given if isinstance(given, list) else []):
        path = "criterion", at
        criterion = sheet.table(Criterion, table, path)
        if criterion is None:
            continue
        if names.setdefault(criterion.name, at) != at:
            sheet.fault((*path, "name"), short(criterion.name), "a name that no criterion before it has")
        found = list(_disagreements(criterion))
        for key, said, ought in found:
            sheet.fault((*path, *key), said, ought)
        if not found:
            asked.append(_understood(criterion))
    if sheet.faults or head is None:
        raise RigFaults(where, sheet.faults)
    return Form(head.form, tuple(asked))


class Document:
    """A TOML document that is looked at table by table, and what is wrong with it."""

    def __init__(self, text: str, document: dict[str, Any]) -> None:
        self.faults: list[Fault] = []
        self._document, self._lines = document, Lines(text.replace("\r\n", "\n"))

    def fault(self, path: KeyPath, found: str, ought: str) -> None:
        """Say that something is wrong at a path."""
        self.faults.append(Fault(written(path, self._document), self._lines.find(path), found, ought))

    def table(self, model: type[Table], given: object, path: KeyPath) -> Table | None:
        """A table that stands at a path, as the schema has it; None where it says otherwise, which is then said."""
        try:
            return model.model_validate(given)
        except ValidationError as error:
            told: set[KeyPath] = set()
            for it in error.errors():
                loc, tagged = it["loc"], len(it["loc"]) > 1 and it["loc"][-1] in _TAGS
                key = (*path, *(loc[:-1] if tagged and it["type"] not in ("missing", "extra_forbidden") else loc))
                if key not in told:
                    told.add(key)
                    self._refused(model, it, key, tagged)
            return None

    def _refused(self, model: type[BaseModel], it: ErrorDetails, key: KeyPath, tagged: bool) -> None:
        """Say one fault of the schema."""
        found = it.get("ctx", {}).get("found") or short(it.get("input"))
        if it["type"] == "missing":
            self.fault(key[:-1], "nothing", f"a value: '{key[-1]}' may not be left out")
        elif it["type"] == "extra_forbidden":
            known = sorted(field.alias or name for name, field in model.model_fields.items())
            meant = difflib.get_close_matches(str(key[-1]), known, 1)
            but = f"; did you mean '{meant[0]}'?" if meant else ""
            self.fault(key, "a key that means nothing here", f"one of {', '.join(known)}{but}")
        else:
            self.fault(
                key,
                found,
                "a number, a text with a number and its unit, or true or false" if tagged else allowed_by(it),
            )


_Fault = tuple[KeyPath, str, str]


def _disagreements(it: Criterion) -> Iterator[_Fault]:
    """What the keys of a criterion disagree about."""
    if it.figure is None:
        for key in ("of", "full", "part", "between", "want"):
            if key in it.model_fields_set:
                yield (key,), short(getattr(it, key)), "a free criterion without it: that goes with a 'figure'"
        return
    kind = KINDS.get(it.figure)
    if kind is None:
        meant = difflib.get_close_matches(it.figure, KINDS, 1, 0.4)
        but = f"; did you mean '{meant[0]}'?" if meant else ""
        yield ("figure",), short(it.figure), f"a measured figure, as `inchwatch score --figures` lists them{but}"
        return
    if (kind.family in EACH_OF) is not bool(str(it.of).strip()):
        found = short(it.of) if "of" in it.model_fields_set else "nothing"
        names = f"the name of one {kind.family}, or '{WORST}'" if kind.family in EACH_OF else "nothing: it is of all"
        yield ("of",), found, f"{names} ('{kind.name}')"
    yield from _limits(it, kind)


def _limits(it: Criterion, kind: Kind) -> Iterator[_Fault]:
    """What is wrong with what a criterion asks of its figure."""
    faults: list[_Fault] = []

    def number(key: KeyPath, given: Limit) -> float | None:
        try:
            return _si(kind, given)
        except UnitError as error:
            faults.append((key, short(given), str(error)))
            return None

    if (it.full is None) is (it.between is None):
        yield ("full",), "neither" if it.full is None else "both", "'full' or 'between', and one of them"
        return
    if it.between is not None:
        low, high = (number(("between", at), given) for at, given in enumerate(it.between))
        yield from faults
        if low is not None and high is not None and low > high:
            yield ("between",), f"{short(it.between[0])} before {short(it.between[1])}", "the lower one first"
        for key in ("part", "want"):
            if key in it.model_fields_set:
                yield (key,), short(getattr(it, key)), "nothing beside 'between': all points within it, none outside"
        return
    want = it.want or kind.better
    if not want:
        yield ("want",), "nothing", f"'less' or 'more': '{kind.name}' itself does not say which is better"
    elif it.want and kind.better and it.want != kind.better:
        yield ("want",), short(it.want), f"'{kind.better}', which is better of '{kind.name}'"
    assert it.full is not None, "one of the two is given"
    before, more = number(("full",), it.full), it.points
    steps = [(number(("part", at, 0), given), points) for at, (given, points) in enumerate(it.part)]
    yield from faults
    for at, (now, points) in enumerate(steps):
        if points >= more:
            yield ("part", at, 1), f"{points:g} points", f"fewer than {more:g}, which the limit before it earns"
        if want and before is not None and now is not None and (now <= before if want == "less" else now >= before):
            given = short(it.part[at][0])
            yield ("part", at, 0), given, f"a limit that is easier than the one before it, as {want} is better"
        before, more = now, points


def _si(kind: Kind, given: Limit) -> float:
    """A limit in SI. Raises UnitError."""
    if kind.unit == "yes":
        if not isinstance(given, bool):
            raise UnitError("true or false")
        return float(given)
    if isinstance(given, bool):
        given = str(given).lower()
    if kind.unit == "count":
        if not isinstance(given, float) or given < 0.0 or not given.is_integer():
            raise UnitError("a whole number, 0 or more")
        return given
    quantity = _QUANTITY[kind.unit]
    if isinstance(given, float) and kind.unit != "1" and given != 0.0:
        raise UnitError(allowed(quantity).removesuffix(", or a bare number in SI"))
    return within_reason(quantity, given)


def _understood(it: Criterion) -> Asked:
    """A criterion without faults."""
    if it.figure is None:
        return Asked(it, None, "", ())
    kind = KINDS[it.figure]
    of = str(it.of).strip()
    if it.between is not None:
        low, high = (_si(kind, given) for given in it.between)
        return Asked(it, kind, of, (Band(low, high, it.points * it.weight),))
    assert it.full is not None, "its faults were looked for"
    steps = [(_si(kind, it.full), it.points), *((_si(kind, given), points) for given, points in it.part)]
    less = (it.want or kind.better) == "less"
    bands = tuple(Band(None if less else at, at if less else None, points * it.weight) for at, points in steps)
    return Asked(it, kind, of, bands)
