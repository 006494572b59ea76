"""The payloads of a broker on trial, and an independent reading of each: a number, a number in JSON, SenML."""

from __future__ import annotations

import json
import math
import random

from fuzz_reading import exact, number, require, strict_json, walked
from jsonpointer import JsonPointer

from drivers import payload, senml


# A payload that is one number, and one in JSON.
def good_number(rng: random.Random) -> bytes:
    return rng.choice(["{}", " {}\n", "{}e2", "{}E-3"]).format(number(rng)).encode()


def try_number(data: bytes) -> int:
    try:
        found = payload.bare_number(data)
    except payload.PayloadError:
        return 0
    if found is None:
        require(not data.strip(), data)
        return 0
    require(found == exact(data.strip().decode("ascii")), (found, data))
    return 1


POINTERS = ["/now/0", "/now/1", "/t", "/a~1b/x", ""]


def good_json(rng: random.Random) -> bytes:
    a, b, c = (float(number(rng)) for _ in range(3))
    return json.dumps({"now": [a, b], "t": c, "a/b": {"x": rng.choice([a, None, True, "1"])}}).encode()


def try_json(data: bytes) -> int:
    try:
        parsed = payload.document(data)
    except payload.PayloadError:
        return 0
    theirs, count = strict_json(data), 0
    for pointer, steps in zip(POINTERS, (["now", 0], ["now", 1], ["t"], ["a/b", "x"], []), strict=True):
        try:
            found = payload.number_at(JsonPointer(pointer), parsed)
        except payload.PayloadError:
            continue
        there = walked(theirs, steps)
        if found is None:
            require(there is None, (pointer, there))
        else:
            require(type(there) in (int, float) and found == float(there), (pointer, found, there))
            count += 1
    return count


# SenML: RFC 8428 section 4, resolved once more.
NOW = 1_700_000_000.0


def good_senml(rng: random.Random) -> bytes:
    records = [
        {"n": f"{rng.choice('PHE')}{i}", "u": rng.choice(["Pa", "m", "deg"])} for i in range(rng.randrange(1, 4))
    ]
    for record in records:
        record |= rng.choice(
            [{"v": float(number(rng))}, {"v": rng.randrange(99)}, {"vs": "x"}, {"vb": True}, {"s": 1.0}]
        )
        record |= rng.choice([{}, {"t": rng.randrange(-9, 9)}, {"t": 1.7e9}])
    records[0] |= rng.choice([{}, {"bn": "yard:"}, {"bt": 1.7e9}, {"bv": 5.0, "bu": "m"}, {"bver": 10}])
    return json.dumps(records).encode()


def try_senml(data: bytes) -> int:
    try:
        found = senml.resolve(data, NOW)
    except senml.SenmlError:
        return 0
    expected = read_senml(strict_json(data))
    require([(it.name, it.unit, it.value, it.time_s) for it in found] == expected, (found, expected))
    return sum(it.value is not None for it in found)


def read_senml(pack: object) -> list[tuple[str, str | None, float | None, float | None]]:
    require(isinstance(pack, list))
    base: dict[str, object] = {"bn": "", "bt": None, "bu": None, "bv": None, "bs": None}
    out = []
    for record in pack:
        require(isinstance(record, dict) and not any(key.endswith("_") for key in record), record)
        base |= {key: record[key] for key in base if key in record}
        values = {key: record[key] for key in ("v", "vs", "vb", "vd") if key in record}
        require(len(values) <= 1, record)
        if not values and "s" not in record and base["bs"] is None and base["bv"] is None:
            require(not {"n", "u", "t", "ut"} & set(record), record)
            continue
        name = base["bn"] + record.get("n", "")
        require(
            name and name[0].isalnum() and all(it.isascii() and (it.isalnum() or it in "-:./_") for it in name), name
        )
        when = None
        if "t" in record or base["bt"] is not None:
            when = float(base["bt"] or 0) + float(record.get("t", 0))
            when += NOW if when < 2**28 else 0.0
        value = None
        if "v" in record or (not values and base["bv"] is not None):
            parts = (base["bv"] or 0, record.get("v", 0))
            require(all(type(it) in (int, float) for it in parts), record)
            value = float(parts[0]) + float(parts[1])
            require(math.isfinite(value), record)
        out.append((name, record.get("u", base["bu"]), value, when))
    return out
