"""What the link's tests say in place of an operator's monitor, and a reader of JSON Schema that knows nothing of our shapes."""

from __future__ import annotations

import re
from functools import cache
from importlib.resources import files
from typing import Any

from monitor import encode
from monitor.drill import scenario
from monitor.engine.picture import Picture
from monitor.link import wire
from monitor.rig.load import parse_rig
from monitor.rig.schema import Rig

from ..drill.stage import sounded


@cache
def rig_text(name: str) -> str:
    return files("monitor.drill").joinpath(f"rigs/{name}.toml").read_text(encoding="utf-8")


@cache
def rig_of(name: str) -> Rig:
    return parse_rig(rig_text(name), name)


def pictures_of(drill: str) -> tuple[Rig, tuple[Picture, ...]]:
    """The rig of a drill and every picture of it."""
    return rig_of(scenario.load(drill).rig), sounded(drill).pictures


def picture_message(picture: Picture, **more: Any) -> bytes:
    said = {"session": "a", "link": 1, "beat": 1, "sent": encode.seconds(picture.time_ns), "calls": []} | more
    return wire.encode(said | encode.picture(picture))


def alarms_message(picture: Picture, n: int = 0, session: str = "a") -> bytes:
    changes = [
        encode.standing(it.alarm) | {"n": n + i, "t": encode.seconds(it.time_ns)}
        for i, it in enumerate(picture.transitions, 1)
    ]
    standing = [encode.standing(it) for it in picture.alarms]
    return wire.encode({"session": session, "standing": standing, "changes": changes})


def presence_message(why: str, session: str = "a") -> bytes:
    return wire.encode({"session": session, "here": why == "here", "why": why})


def rig_message(name: str, document: str, session: str = "a", began: float = 1.7e9) -> bytes:
    return wire.encode(
        {"session": session, "rig": name, "document": document, "software": "it", "began": began, "recording": "r"}
    )


_KINDS = {"object": dict, "array": list, "string": str, "boolean": bool, "null": type(None)}
KNOWN = {
    "$defs", "$ref", "additionalProperties", "anyOf", "const", "default", "description", "enum", "items", "maxItems",
    "maxLength", "maximum", "minItems", "minLength", "minimum", "prefixItems", "properties", "required", "title", "type",
}  # fmt: skip


def wrong(schema: Any, it: Any, root: Any, where: str = "") -> list[str]:
    """What JSON Schema 2020-12 has against a value, by those of its words that our schemas use; a key that a schema with
    properties does not name is wrong as well."""
    assert set(schema) <= KNOWN, f"a word this reader does not know: {set(schema) - KNOWN}"
    if "$ref" in schema:
        return wrong(root["$defs"][schema["$ref"].removeprefix("#/$defs/")], it, root, where)
    if "anyOf" in schema:
        said = [wrong(one, it, root, where) for one in schema["anyOf"]]
        return [] if [] in said else min(said, key=len)
    if "const" in schema and it != schema["const"]:
        return [f"{where}: {it!r} is not {schema['const']!r}"]
    if "enum" in schema and it not in schema["enum"]:
        return [f"{where}: {it!r} is none of {schema['enum']}"]
    if (kind := schema.get("type")) is not None and not _of_kind(kind, it):
        return [f"{where}: {it!r} is no {kind}"]
    if isinstance(it, dict):
        return list(_wrong_object(schema, it, root, where))
    if isinstance(it, list):
        before = schema.get("prefixItems", [])
        assert len(it) <= schema.get("maxItems", len(it))
        assert len(it) >= schema.get("minItems", 0)
        each = [before[i] if i < len(before) else schema.get("items", {}) for i in range(len(it))]
        return [x for i, one in enumerate(it) for x in wrong(each[i], one, root, f"{where}[{i}]")]
    if isinstance(it, str) and not schema.get("minLength", 0) <= len(it) <= schema.get("maxLength", len(it)):
        return [f"{where}: {len(it)} signs"]
    if isinstance(it, int | float) and not schema.get("minimum", it) <= it <= schema.get("maximum", it):
        return [f"{where}: {it}"]
    return []


def _of_kind(kind: str, it: Any) -> bool:
    if kind in ("number", "integer"):
        return isinstance(it, int if kind == "integer" else int | float) and not isinstance(it, bool)
    return isinstance(it, _KINDS[kind])


def _wrong_object(schema: Any, it: dict[str, Any], root: Any, where: str):
    named, others = schema.get("properties", {}), schema.get("additionalProperties", True)
    for key in schema.get("required", []):
        if key not in it:
            yield f"{where}: no {key}"
    for key, value in it.items():
        if key in named:
            yield from wrong(named[key], value, root, f"{where}.{key}")
        elif isinstance(others, dict):
            yield from wrong(others, value, root, f"{where}.{key}")
        elif named:
            yield f"{where}: {key} is not in the schema"


def leaf_of(topic: str) -> str:
    found = re.fullmatch(r"inchwatch/[^/]+/([a-z]+)", topic)
    assert found is not None, topic
    return found[1]
