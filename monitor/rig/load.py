"""Reads a rig file, and says all that is wrong with it at once: where, what was found, what is allowed."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from drivers import registry
from drivers.tables import KEPT
from drivers.topics import FILTER
from monitor.rig import checks
from monitor.rig.lines import Lines
from monitor.rig.lines import Path as KeyPath
from monitor.rig.mend import STAND_IN, annotation, mended, models_in, touches
from monitor.rig.schema import Limits, Rig

_KINDS = {"name", "do", "driver", "quantity", "source", "format", "loop"}
"""Keys that others depend on: where one is a stand-in, what depends on it is not judged."""
_LARGEST = 1024 * 1024
_TABLE = re.compile(r"^\s*\[\[\s*calibration\s*\]\]", re.MULTILINE)
_PATTERNS = {
    r"^[^\x00-\x1f\x7f]*[^\W\d][^\x00-\x1f\x7f]*$": "one line of text with a letter in it",
    r"^[^\x00-\x1f\x7f]+$": "one line of text",
    r"^[^\s/+#\x00-\x1f\x7f]+$": "a name of 1 to 24 characters, without spaces and without / + #",
    r"^(/([^/~]|~[01])*)*$": "a JSON pointer, such as '/tilt/0'",
    r"^[^+#\x00]+$": "a topic without the wildcards + and #",
    FILTER: "a topic, in which + may stand for a whole level, and # at its end for all that follow",
}
_PLAINER = (
    ("Input should be a valid ", "a "),
    ("Input should be ", ""),
    ("List should have ", "a list with "),
    ("Tuple should have ", "a list with "),
    ("String should have ", "a text with "),
    (" after validation", ""),
)
"""How the schema's library puts it, and how a crew member would."""
_TYPES = {"tuple_type": "a list", "model_type": "a table", "model_attributes_type": "a table", "dict_type": "a table"}
_TAGS = frozenset(registry.usable())
"""Marks that the schema puts into a path where a table may be one of several kinds; no keys of the file."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong: the key's full path, its line (from 1), what was found there, what is allowed."""

    path: str
    line: int
    found: str
    allowed: str
    file: str = ""
    """The file it stands in, where that is not the rig file itself."""


class RigFaults(Exception):
    """A rig file that cannot be used. `faults` holds everything wrong with it, in the order of its lines."""

    def __init__(self, where: str, faults: list[Fault]) -> None:
        self.where = where
        self.faults = sorted(map(_printable, faults), key=lambda fault: (fault.file, fault.line, fault.path))
        super().__init__(where)

    def __str__(self) -> str:
        return "\n".join(
            f"{f.file or self.where}:{f.line}: {f.path + ': ' if f.path else ''}found {f.found}; allowed is {f.allowed}"
            for f in self.faults
        )


@dataclass(frozen=True, slots=True)
class RigText:
    """A rig file's text and, joined to its end, that of the calibration file beside it, if there is one.

    It is one TOML document, which a recording keeps whole, so that a replay needs no other file.
    """

    text: str
    where: str
    beside: str = ""
    """The calibration file, and the lines that stand before its first."""
    before: int = 0

    def rig(self) -> Rig:
        """The rig. Raises RigFaults; what is wrong in the calibration file is said of that file and its line."""
        try:
            return parse_rig(self.text, self.where)
        except RigFaults as faults:
            raise RigFaults(self.where, [self._placed(fault) for fault in faults.faults]) from None

    def _placed(self, fault: Fault) -> Fault:
        if not self.beside or fault.line <= self.before:
            return fault
        return replace(fault, line=fault.line - self.before, file=self.beside)


def calibration_file(rig: Path) -> Path:
    """The file beside a rig file that keeps its calibrations: yard.calibration.toml beside yard.toml."""
    return rig.with_name(f"{rig.name.removesuffix('.toml')}.calibration.toml")


def read_rig(path: Path) -> Rig:
    """The rig in a file, with the calibrations beside it. Raises RigFaults."""
    return read_rig_text(path).rig()


def read_rig_text(path: Path) -> RigText:
    """The text of a rig file, with that of the calibration file beside it. Raises RigFaults."""
    text, beside = read_text(path), calibration_file(path)
    return joined(text, str(path), read_text(beside), str(beside)) if beside.exists() else RigText(text, str(path))


def joined(text: str, where: str, calibrations: str, beside: str) -> RigText:
    """A rig's text and calibrations as one. Raises RigFaults where these are not tables of calibrations alone."""
    document, allowed = parsed(calibrations, beside), "calibrations alone, each of them a table [[calibration]]"
    lines = Lines(calibrations)
    other = [key for key in document if key != "calibration" or not _TABLE.search(calibrations)]
    if other:
        raise RigFaults(beside, [Fault(key, lines.find((key,)), "another key or form", allowed) for key in other])
    parsed(text, where)  # a text that is not closed would swallow what follows it
    head = f"{text}\n# Calibrations, as they stood in a file beside the rig file:\n"
    return RigText(head + calibrations, where, beside, head.count("\n"))


def read_text(path: Path, what: str = "a rig file") -> str:
    """The text of a rig file, or of `what` else it is called. Raises RigFaults."""

    def refused(found: str) -> RigFaults:
        return RigFaults(str(path), [Fault("", 1, found, f"{what}: TOML text in UTF-8, at most 1 MiB")])

    try:
        if path.is_file() and path.stat().st_size > _LARGEST:
            raise refused(f"{path.stat().st_size} bytes")
        return path.read_text(encoding="utf-8-sig")  # the mark that some editors put before the text is none of it
    except UnicodeDecodeError as error:
        raise refused(f"a byte that is not UTF-8 at position {error.start}") from None
    except OSError as error:
        raise refused(f"no readable file ({(error.strerror or 'error').lower()})") from None


def kept_rig(text: str, where: str) -> Rig:
    """The rig in a text that was read once and is kept in a recording, or said over a link. Raises RigFaults.

    What is only refused since then (values of another type that were made numbers, two ports on one device) is read as it was.
    """
    return parse_rig(text, where, kept=True)


def parse_rig(text: str, where: str = "rig file", *, kept: bool = False) -> Rig:
    """The rig in a text. `where` names it in faults; `kept`: as `kept_rig` has it. Raises RigFaults."""
    document = parsed(text, where)
    lines = Lines(text)
    faults: list[Fault] = []
    rig = None
    try:
        rig = Rig.model_validate(document, context={KEPT: kept})
        sound = checks.disagreements(rig, kept=kept)
    except ValidationError as error:
        faults = [_fault(detail, document, lines) for detail in error.errors()]
        sound = _sound(document)
    faults += [Fault(written(path, document), lines.find(path), found, allowed) for path, found, allowed in sound]
    if faults or rig is None:
        raise RigFaults(where, faults)
    return rig


def parse_limits(text: str, where: str = "limits") -> dict[str, Any]:
    """The [limits] of a text, which may hold more, as they stand there. Raises RigFaults, as for those of a rig file."""
    document, lines = parsed(text, where, "a file with [limits]"), Lines(text)
    given = document.get("limits")
    if not isinstance(given, dict):
        raise RigFaults(where, [Fault("limits", 1, "nothing", "a [limits] table")])
    faults: list[Fault] = []
    try:
        sound = checks.limits(Limits.model_validate(given))
        faults = [Fault(written(path, document), lines.find(path), found, allowed) for path, found, allowed in sound]
    except ValidationError as error:
        for detail in error.errors():
            detail["loc"] = ("limits", *detail["loc"])
            faults.append(_fault(detail, document, lines))
    if faults:
        raise RigFaults(where, faults)
    return given


def _sound(document: dict[str, Any]) -> Iterator[checks.Disagreement]:
    """What the sound parts of a faulty document disagree about: nothing that only follows from a fault said already."""
    whole = mended(document, _place)
    if whole is None:
        return
    rig, stand_ins = whole
    unsure = {path[:2] for path in stand_ins if len(path) < 3 or _KINDS & set(path[2:])}
    unsure_names = {_at(document, (*table, "name")) for table in unsure}
    for path, found, allowed in checks.references(rig):
        named = {_at(document, path), _at(document, (*path[:2], "source", "port"))}
        follows = path[:2] in unsure or named & unsure_names or STAND_IN in allowed
        if not follows and not touches(path, stand_ins):
            yield path, found, allowed
    yield from (it for it in checks.devices(rig) if not touches(it[0], stand_ins))
    yield from (it for it in checks.numbers(rig) if not touches(it[0][:2], stand_ins))


def _place(detail: ErrorDetails, document: dict[str, Any]) -> KeyPath:
    """The path of the very key that one fault of the schema is about."""
    path = _real(detail["loc"], document)
    of_driver = detail["type"].startswith("union_tag") or (detail["type"] == "driver_fails" and path[:1] == ("port",))
    return (*path, "driver") if of_driver else path


def _at(document: Any, path: KeyPath) -> str | KeyPath:
    """The text that stands at a path, or the path itself where none does."""
    for part in path:
        try:
            document = document[part]
        except (KeyError, IndexError, TypeError):
            return path
    return document if isinstance(document, str) else path


def parsed(text: str, where: str, what: str = "a rig file") -> dict[str, Any]:
    """The document that a text holds, which is called `what`. Raises RigFaults."""
    try:
        return tomllib.loads(text.replace("\r\n", "\n"))
    except tomllib.TOMLDecodeError as error:
        match = re.search(r"(.*) \(at line (\d+), column (\d+)\)$", str(error))
        line = int(match[2]) if match else text.count("\n") + 1
        said = match[1] if match else str(error).removesuffix(" (at end of document)")
        shown = text.splitlines()[line - 1].strip()[:40] if line <= len(text.splitlines()) else "the end of the file"
        raise RigFaults(where, [Fault("", line, f"'{shown}'", f"TOML ({said.lower()})")]) from None
    except RecursionError:
        raise RigFaults(where, [Fault("", 1, "tables within tables without end", what)]) from None
    except ValueError:  # the interpreter turns no whole number of more than some thousand digits from text
        raise RigFaults(where, [Fault("", 1, "a whole number of thousands of digits", what)]) from None


def _fault(detail: ErrorDetails, document: dict[str, Any], lines: Lines) -> Fault:
    """A fault of the schema, with its place in the text."""
    path = _place(detail, document)
    kind, given = detail["type"], detail.get("input")
    if kind == "missing":
        *table, key = path
        return Fault(
            written(path, document), lines.find(tuple(table)), "nothing", f"a value: '{key}' may not be left out"
        )
    if kind == "extra_forbidden":
        known = _known_keys(path[:-1], detail["loc"][-2] if len(detail["loc"]) > 1 else "")
        close = difflib.get_close_matches(str(path[-1]), known, 1)
        meant = f"; did you mean '{close[0]}'?" if close else ""
        return Fault(
            written(path, document),
            lines.find(path),
            "a key that means nothing here",
            (f"one of {', '.join(known)}" if known else "no further key") + meant,
        )
    if kind.startswith("union_tag"):
        named = given.get("driver") if isinstance(given, dict) else None
        shown = "nothing" if named is None else short(named)
        return Fault(written(path, document), lines.find(path), shown, _drivers(named))
    found = detail.get("ctx", {}).get("found") or short(given)
    return Fault(written(path, document), lines.find(path), found, allowed_by(detail))


def _drivers(named: object) -> str:
    """Which drivers there are; what is wrong with the one that was meant, if it is installed and cannot be used."""
    broken = next((f"; {it.fault}" for it in registry.found() if it.driver is None and it.name == named), "")
    return "one of the drivers that are installed: " + ", ".join(registry.usable()) + broken


def allowed_by(detail: ErrorDetails) -> str:
    """What is allowed where the schema found a fault, as the end of a sentence."""
    context, kind = detail.get("ctx", {}), detail["type"]
    if "allowed" in context:
        return str(context["allowed"])
    if kind == "literal_error":
        return str(context.get("expected", ""))
    if kind == "string_pattern_mismatch":
        return _PATTERNS.get(context.get("pattern", ""), f"a text of the form {context.get('pattern')}")
    if kind in _TYPES or kind.startswith("int_"):
        return _TYPES.get(kind, "a whole number")
    if kind.startswith("bool_"):
        return "true or false"
    message = detail["msg"]
    for before, after in _PLAINER:
        message = message.replace(before, after, 1)
    return message[0].lower() + message[1:]


def _real(loc: tuple[str | int, ...], document: dict[str, Any]) -> KeyPath:
    """The path in the file: without the schema's own marks for kinds of tables."""
    path: list[str | int] = []
    here: Any = document
    for part in loc:
        if part in _TAGS and not (isinstance(here, dict) and part in here):
            continue
        path.append(part)
        try:
            here = here[part]
        except (KeyError, IndexError, TypeError):
            here = None
    return tuple(path)


def written(path: KeyPath, document: dict[str, Any]) -> str:
    """A path as a person reads it: `stack[0].bag[1].capacity`, with the names of things behind: `(S1, S1-upper)`."""
    text, names = "", []
    here: Any = document
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f"{'.' if text else ''}{part}"
        try:
            here = here[part]
        except (KeyError, IndexError, TypeError):
            here = None
        if isinstance(part, int) and isinstance(here, dict):
            name = here.get("name", here.get("channel"))
            names += [name] if isinstance(name, str) else []
    return f"{text} ({', '.join(names)})" if names else text


def _known_keys(path: KeyPath, driver: str | int) -> list[str]:
    """The keys that the table at a path may have: those of its driver, where it is a driver's."""
    models = list(models_in(annotation(path)))
    its = registry.usable().get(str(driver))
    models = [it for it in models if its is not None and it in (its.port, its.source)] or models
    return sorted({field.alias or name for model in models for name, field in model.model_fields.items()})


def _printable(fault: Fault) -> Fault:
    """The fault on one line: a file may hold what would move a terminal's cursor."""
    texts = (fault.path, fault.found, fault.allowed)
    if all(text.isprintable() for text in texts):
        return fault
    path, found, allowed = ("".join(c if c.isprintable() else ascii(c)[1:-1] for c in text) for text in texts)
    return replace(fault, path=path, found=found, allowed=allowed)


def short(value: object) -> str:
    """A value as it is shown in a fault."""
    text = f"'{value}'" if isinstance(value, str) else str(value).lower() if isinstance(value, bool) else repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
