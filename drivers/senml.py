"""SenML (RFC 8428) in JSON, both directions: a pack in, resolved records out, and back.

Pure: the caller says what time it is. A pack that breaks a rule of the standard is refused whole, with one sentence.
Units are those of the standard's registry that a rig can use, and `deg` of RFC 8798; secondary units are not allowed in
packs of this version.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from math import isfinite

import orjson

UNITS: dict[str, tuple[str, float, float]] = {
    # unit: (quantity, scale, offset) with SI = scale * value + offset
    "Pa": ("pressure", 1.0, 0.0),
    "m": ("length", 1.0, 0.0),
    "rad": ("angle", 1.0, 0.0),
    "deg": ("angle", 0.017453292519943295, 0.0),
    "N": ("force", 1.0, 0.0),
    "Cel": ("temperature", 1.0, 273.15),
    "K": ("temperature", 1.0, 0.0),
    "A": ("current", 1.0, 0.0),
    "V": ("voltage", 1.0, 0.0),
}
VERSION = 10
_RELATIVE = 2**28
"""Times below this many seconds are relative to now (RFC 8428 section 4.5.3)."""
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
"""What a resolved name may be (RFC 8428 section 4.5.1)."""
_KNOWN = {
    "bn": str,
    "bt": float,
    "bu": str,
    "bv": float,
    "bs": float,
    "bver": int,
    "n": str,
    "u": str,
    "v": float,
    "vs": str,
    "vb": bool,
    "vd": str,
    "s": float,
    "t": float,
    "ut": float,
}


class SenmlError(ValueError):
    """A pack that the standard does not allow. The message says what was found."""


@dataclass(frozen=True, slots=True)
class Record:
    """One resolved record. `value` is None where the record holds something else than a number; `unit` as written;
    `time_s` is seconds since 1970, None where the pack names no time at all."""

    name: str
    unit: str | None
    value: float | None
    time_s: float | None


def resolve(payload: bytes | str, now_s: float) -> list[Record]:
    """The records of a pack with base fields applied (RFC 8428 section 4.6). Raises SenmlError."""
    try:
        pack = orjson.loads(payload)
    except orjson.JSONDecodeError as error:
        raise SenmlError(f"not JSON: {error}") from None
    if not isinstance(pack, list) or not all(isinstance(record, dict) for record in pack):
        raise SenmlError("not a pack: an array of objects is allowed")
    base: dict[str, object] = {}
    versions = {version for record in pack if (version := _checked(record).get("bver")) is not None}
    if len(versions) > 1 or any(not 1 <= _number(version) <= VERSION for version in versions):
        found = ", ".join(sorted(str(version) for version in versions))
        raise SenmlError(f"version {found}: one version, at most {VERSION}, is allowed")
    return [record for given in pack if (record := _resolved(given, base, now_s)) is not None]


def _checked(record: dict[str, object]) -> dict[str, object]:
    for label, value in record.items():
        kind = _KNOWN.get(label)
        if kind is None:
            if label.endswith("_"):
                raise SenmlError(f"label '{label}' must be understood, and is not")
        elif kind is float:
            if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
                raise SenmlError(f"'{label}' is {value!r}: a number is allowed")
        elif not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
            raise SenmlError(f"'{label}' is {value!r}: a {kind.__name__} is allowed")
    return record


def _resolved(record: dict[str, object], base: dict[str, object], now_s: float) -> Record | None:
    base.update({label: record[label] for label in ("bn", "bt", "bu", "bv", "bs") if label in record})
    has_value = [label for label in ("v", "vs", "vb", "vd") if label in record]
    if len(has_value) > 1:
        raise SenmlError(f"{' and '.join(has_value)} in one record: one value is allowed")
    if not has_value and "s" not in record and "bs" not in base and "bv" not in base:
        if any(label in record for label in ("n", "u", "t", "ut")):
            raise SenmlError("a record without a value or a sum")
        return None  # base fields only
    name = str(base.get("bn", "")) + str(record.get("n", ""))
    if not NAME.fullmatch(name):
        raise SenmlError(f"name '{name}': letters, digits and - : . / _ are allowed, the first a letter or digit")
    unit = record.get("u", base.get("bu"))
    time_s = None
    if "t" in record or "bt" in base:
        time_s = _number(base.get("bt", 0.0)) + _number(record.get("t", 0.0))
        if time_s < _RELATIVE:
            time_s += now_s
    value = None
    if "v" in record or (not has_value and "bv" in base):
        value = _number(base.get("bv", 0.0)) + _number(record.get("v", 0.0))
        if not isfinite(value):
            raise SenmlError(f"the value of '{name}' is not finite")
    return Record(name, None if unit is None else str(unit), value, time_s)


def _number(value: object) -> float:
    assert isinstance(value, int | float), "checked before"
    return float(value)


def pack(records: Iterable[tuple[str, str, float]], base_name: str = "", time_s: float | None = None) -> bytes:
    """A pack of (name, unit, value) records, all at one time (seconds since 1970; None leaves it out)."""
    out: list[dict[str, object]] = [{"n": name, "u": unit, "v": value} for name, unit, value in records]
    if out and base_name:
        out[0] = {"bn": base_name, **out[0]}
    if out and time_s is not None:
        out[0] = {"bt": time_s, **out[0]}
    return orjson.dumps(out)
