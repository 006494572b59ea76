"""`inchwatch drivers`: what kinds of wire this monitor can listen to, and what a rig file says to each."""

from __future__ import annotations

import json
import sys
import textwrap
from collections.abc import Iterator
from typing import Any

from drivers import registry
from drivers.driver import Driver
from drivers.tables import PortTable, SourceTable

_COLUMNS = 80


def drivers(name: str | None, *, as_json: bool) -> int:
    """Print every driver that is installed, or the tables of one; 1 if one cannot be used, 2 if there is none of that name."""
    found = [it for it in registry.found() if name in (None, it.name)]
    if not found:
        known = ", ".join(dict.fromkeys(it.name for it in registry.found()))
        print(f"inchwatch drivers: found '{name}', allowed is one of {known}", file=sys.stderr)
        return 2
    if as_json:
        print(json.dumps({"drivers": [_described(it) for it in found]}))
    else:
        for it in found:
            print(
                f"{it.name:<10}{it.driver.about}  ({it.origin})"
                if it.driver is not None
                else f"{it.name:<10}{it.fault}"
            )
            if name is not None and it.driver is not None:
                print("\n".join(_tables(it.driver)))
    return 1 if any(it.driver is None for it in found) else 0


def _described(it: registry.Found) -> dict[str, Any]:
    said: dict[str, Any] = {"name": it.name, "origin": it.origin, "usable": it.driver is not None}
    if it.driver is None:
        return said | {"fault": it.fault}
    tables = {"port": it.driver.port.model_json_schema(), "source": it.driver.source.model_json_schema()}
    return said | {"about": it.driver.about} | tables


def _tables(driver: Driver) -> Iterator[str]:
    """The keys of a port and of a channel's source of it, as a rig file has them."""
    yield from _keys("[[port]]", driver.port)
    yield from _keys("[[channel]] source", driver.source)


def _keys(title: str, table: type[PortTable] | type[SourceTable]) -> Iterator[str]:
    yield from ("", *textwrap.wrap(f"{title}: {' '.join((table.__doc__ or '').split())}", _COLUMNS))
    schema = table.model_json_schema()
    yield from _rows(schema, schema.get("$defs", {}), "")


def _rows(schema: dict[str, Any], inner: dict[str, Any], before: str) -> Iterator[str]:
    """A row a key; those of a table within the table follow it."""
    for key, it in schema["properties"].items():
        must = "" if key in schema.get("required", ()) else _unsaid(it)
        said = f"{before + key:<13} {_kind(it)}{must}"
        yield from textwrap.wrap(said, _COLUMNS, initial_indent="  ", subsequent_indent=" " * 16)
        for one in (it, *it.get("anyOf", ())):
            if "$ref" in one:
                yield from _rows(inner[one["$ref"].rpartition("/")[2]], inner, f"{before}{key}.")


def _unsaid(it: dict[str, Any]) -> str:
    """What holds where a key is left out."""
    default = it.get("default")
    if default is None:
        return "; may be left out"
    unit = " s" if "time" in str(it.get("description", "")) and isinstance(default, float) else ""
    return f"; {json.dumps(default, ensure_ascii=False)}{unit} if left out"


def _kind(it: dict[str, Any]) -> str:
    """What a key takes, in a few words."""
    if "const" in it:
        return json.dumps(it["const"])
    if "enum" in it:
        return " or ".join(map(json.dumps, it["enum"]))
    if "$ref" in it:
        return "a table"
    if "description" in it:
        return str(it["description"])
    if "anyOf" in it:
        return _kind(next(kind for kind in it["anyOf"] if kind.get("type") != "null"))
    if "items" in it:
        return f"a list, each {_kind(it['items'])}"
    if it.get("type") == "integer" and "maximum" in it:
        return f"a whole number from {it.get('minimum')} to {it['maximum']}"
    words = {"integer": "a whole number", "number": "a number", "boolean": "true or false", "string": "a text"}
    return words.get(it.get("type", ""), "a table" if it.get("type") == "object" else "a value")
