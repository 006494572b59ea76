"""The decoders that tests/bench/fuzz.py tries, each with an independent reading of whatever it accepts.

The independent readers share no code with the decoders: checksums added up by hand and by pynmea2, numbers by decimal, JSON
by the standard library, names and units from tables written down here.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from types import ModuleType

import pynmea2
from fuzz_payloads import good_json, good_number, good_senml, try_json, try_number, try_senml
from fuzz_reading import NUMBERS, number, require, strict_json

from drivers import lines, nmea, payload, registers, rtu, senml
from drivers.patterns import PLAIN, line_pattern
from drivers.reading import Quality, Reading
from replay import codec
from replay.entries import Action, Notice, Tick


@dataclass(frozen=True, slots=True)
class Target:
    """A decoder on trial. `good` makes a valid input, `words` are what its format is made of, `mend` puts a checksum right.

    `try_` gives one input to the decoder and returns how many values came out, after an independent reader has found each in
    the bytes (else FalseReadingError); the decoder's own error counts as none. Whatever else it raises is a fault.
    """

    name: str
    good: Callable[[random.Random], bytes]
    words: Sequence[bytes]
    try_: Callable[[bytes], int]
    modules: Sequence[ModuleType]
    mend: Callable[[bytes], bytes] = bytes


# NMEA 0183: the transducer table of v4.11, in exact numbers.
XDR = {
    ("P", "B"): ("pressure", Fraction(100_000), Fraction(0)),
    ("P", "P"): ("pressure", Fraction(1), Fraction(0)),
    ("A", "D"): ("angle", Fraction(math.pi) / 180, Fraction(0)),
    ("D", "M"): ("length", Fraction(1), Fraction(0)),
    ("N", "N"): ("force", Fraction(1), Fraction(0)),
    ("C", "C"): ("temperature", Fraction(1), Fraction("273.15")),
    ("I", "A"): ("current", Fraction(1), Fraction(0)),
    ("U", "V"): ("voltage", Fraction(1), Fraction(0)),
}


def good_nmea(rng: random.Random) -> bytes:
    words = [",".join((*rng.choice(list(XDR)), "")) for _ in range(rng.randrange(1, 4))]
    fields = [f"{word[0]},{number(rng)},{word[2]},{rng.choice('PHE')}{rng.randrange(9)}" for word in words]
    return mend_nmea(f"$IIXDR,{','.join(fields)}*00\r\n".encode())


def mend_nmea(data: bytes) -> bytes:
    head, star, tail = data.rpartition(b"*")
    if not star:
        return data
    return head + b"*%02X" % added_up(head[head.rfind(b"$") + 1 :]) + tail[2:]


def added_up(body: bytes) -> int:
    total = 0
    for byte in body:
        total = total ^ byte
    return total


def try_nmea(data: bytes) -> int:
    decoder = nmea.XdrDecoder()
    found = list(decoder.feed(data + b"\n"))
    expected: list[tuple[str, str, float]] = []
    if found:
        for line in data.split(b"\n"):
            expected += read_nmea(line)
        require(len(found) == len(expected), (found, expected))
        for item, (name, quantity, value) in zip(found, expected, strict=True):
            require((item.id, item.quantity) == (name, quantity), (item, name, quantity))
            require(math.isclose(item.value, value, rel_tol=4e-16, abs_tol=1e-12) or item.value == value, (item, value))
    return len(found)


def read_nmea(line: bytes) -> list[tuple[str, str, float]]:
    """What stands in one line, read another way."""
    text = line[line.rfind(b"$") :].rstrip(b"\r").decode("latin-1") if b"$" in line and len(line) <= 1024 else ""
    body, star, digits = text[1:].rpartition("*")
    if not star or len(digits) != 2 or set(digits) - set("0123456789abcdefABCDEF") or "*" in body:
        return []
    if int(digits, 16) != added_up(body.encode("latin-1")) or not body.isascii() or not body.isprintable():
        return []
    talker, *fields = body.split(",")
    if not talker.endswith("XDR") or not 2 <= len(talker) <= 8 or len(fields) % 4 or talker != talker.upper():
        return []
    if len(talker) == 5 and talker.isalpha() and talker[0] != "P":
        require(list(pynmea2.parse(text, check=True).data) == fields, text)
    rows = zip(fields[::4], fields[1::4], fields[2::4], fields[3::4], strict=True)
    return [
        (name, XDR[kind, unit][0], _si(XDR[kind, unit], value))
        for kind, value, unit, name in rows
        if (kind, unit) in XDR and value and not set(value) - set("0123456789+-.") and _decimal(value)
    ]


def _decimal(text: str) -> bool:
    try:
        return Decimal(text).is_finite()
    except ArithmeticError:
        return False


def _si(meaning: tuple[str, Fraction, Fraction], text: str) -> float:
    return float(Fraction(Decimal(text)) * meaning[1] + meaning[2])


# Plain lines.
LINES = line_pattern(PLAIN)


def good_lines(rng: random.Random) -> bytes:
    unit = rng.choice(["", " bar", "mm", " deg", " °"])
    return f"{rng.choice(['P', 'H', 'north-'])}{rng.randrange(9)}{rng.choice(['=', ': ', ' = '])}{number(rng)}{unit}\r\n".encode()


def try_lines(data: bytes) -> int:
    decoder = lines.LineDecoder(LINES)
    found = list(decoder.feed(data + b"\n"))
    expected = [it for line in data.split(b"\n") if (it := read_line(line)) is not None] if found else []
    require([(it.id, it.value, it.unit) for it in found] == expected, (found, expected))
    return len(found)


def read_line(line: bytes) -> tuple[str, float, str | None] | None:
    """What `P1=2.31 bar` says, read by cutting it at its mark."""
    try:
        text = line.strip().decode("utf-8")
    except UnicodeDecodeError:
        return None
    mark = min((at for at in (text.find("="), text.find(":")) if at >= 0), default=-1)
    name, rest = text[:mark].rstrip(" \t\r\v\f"), text[mark + 1 :].lstrip(" \t\r\v\f")
    if mark < 1 or not name or not name.isprintable() or set(name) & set(" \t\r\v\f") or len(line.rstrip(b"\r")) > 128:
        return None
    figures = rest[: len(rest) - len(rest.lstrip("0123456789+-."))]
    unit = rest[len(figures) :].lstrip(" \t\r\v\f")
    if not _decimal(figures) or not all((it.isascii() and it.isalpha()) or it == "°" for it in unit):
        return None
    return name, float(Decimal(figures)), unit or None


# Lines of a journal.
def good_journal(rng: random.Random) -> bytes:
    t = rng.randrange(10**12)
    alarm = codec.AlarmLine(t, {"rule": "lean", "about": "S1", "state": "unacknowledged"})
    quality = rng.choice([Quality.GOOD, Quality.OLD])
    entries = [
        Reading("S1-p", rng.randrange(10**6), t, rng.choice([None, t]), float(number(rng)), quality),
        Tick(t),
        Action(t, "cribbed", {"height_m": 0.05, "at": "S1"}, "operator"),
        Notice(t, "link", "bench", True, "lost: it is gone", rng.random() < 0.5),
        alarm,
    ]
    it = rng.choice(entries)
    return codec.alarm_line(it) if isinstance(it, codec.AlarmLine) else codec.entry_line(it)


def try_journal(data: bytes) -> int:
    try:
        entry = codec.entry_of(codec.parse(data))
    except codec.CodecError:
        return 0
    if entry is None:
        return 0
    there = strict_json(data)
    require(isinstance(there, dict) and type(there["t"]) is int and entry.time_ns == there["t"], data)
    match entry:
        case Reading():
            said = (there["k"], there["c"], there["n"], there["v"], there.get("q", "good"))
            require(said == ("reading", entry.channel, entry.sequence, entry.value, entry.quality.value), data)
            require(type(there["n"]) is int and type(there["v"]) in (int, float) and math.isfinite(entry.value), data)
            require(entry.device_time_ns == (it if type(it := there.get("d")) is int else None), data)
        case Tick():
            require(there["k"] == "tick", data)
        case Action():
            said = (there["k"], there["do"], there["by"], there.get("with", {}))
            require(said == ("action", entry.do, entry.by, dict(entry.details)), data)
        case Notice():
            said = (there["k"], there["of"], there["about"], there["text"])
            require(said == ("notice", entry.kind, entry.about, entry.text), data)
            require((there["active"], there.get("late", False)) == (entry.active, entry.late), data)
        case codec.AlarmLine():
            require((there["k"], there["alarm"]) == ("alarm", entry.alarm), data)
    again = codec.alarm_line(entry) if isinstance(entry, codec.AlarmLine) else codec.entry_line(entry)
    require(codec.entry_of(codec.parse(again)) == entry, "what is written again reads otherwise")
    return 1


# Modbus RTU: the answer to a request for four holding registers of station 7, its checksum made bit by bit.
SPAN = registers.Span(7, "holding", 100, 4, 1.0)


def good_modbus(rng: random.Random) -> bytes:
    noise = rng.choice([b"", b"", b"\x00", b"\xff\xfe", mend_modbus(bytes([9, 3, 2, 0, 1, 0, 0]))])
    return noise + mend_modbus(b"\x07\x03\x08" + rng.randbytes(8) + b"\x00\x00")


def mend_modbus(data: bytes) -> bytes:
    return data[:-2] + crc16(data[:-2]).to_bytes(2, "little")


def crc16(data: bytes) -> int:
    """MODBUS over Serial Line V1.02, 6.2.2 (from memory): the polynomial A001, bits reversed, begun with FFFF."""
    rest = 0xFFFF
    for byte in data:
        rest = rest ^ byte
        for _ in range(8):
            rest = (rest >> 1) ^ 0xA001 if rest & 1 else rest >> 1
    return rest


def try_modbus(data: bytes) -> int:
    """Whatever answers stands in the bytes somewhere, whole; and its registers mean what its bytes do."""
    count = 0
    for frame in rtu.frames(data):
        found = rtu.reply(frame, SPAN)
        if not isinstance(found, rtu.Answer):
            continue
        count += 1
        there = [data[i : i + 13] for i in range(len(data) - 12) if data[i : i + 3] == b"\x07\x03\x08"]
        body = b"".join(it.to_bytes(2, "big") for it in found.registers)
        require(body in [it[3:11] for it in there if mend_modbus(it) == it], (found, data))
        pair = found.registers[:2]
        for words, raw in (("high-first", body[:4]), ("low-first", body[2:4] + body[:2])):
            whole = int.from_bytes(raw, "big")
            require(registers.decode(pair, "uint32", words) == whole, raw)
            require(registers.decode(pair, "int32", words) == (whole ^ 2**31) - 2**31, raw)
            theirs, ours = float32(whole), registers.decode(pair, "float32", words)
            require(theirs == ours or (math.isnan(theirs) and math.isnan(ours)), raw)
        require(registers.decode(pair[:1], "uint16", None) == pair[0], pair)
        require(registers.decode(pair[:1], "int16", None) == (pair[0] ^ 2**15) - 2**15, pair)
    return count


def float32(bits: int) -> float:
    """IEEE 754-2019, 3.4: a sign, 8 bits of exponent, 23 of fraction."""
    sign, exponent, fraction = -1.0 if bits >> 31 else 1.0, bits >> 23 & 255, bits & 0x7FFFFF
    if exponent == 255:
        return math.nan if fraction else sign * math.inf
    return sign * math.ldexp(fraction + (0x800000 if exponent else 0), max(exponent, 1) - 150)


JSON_WORDS = [
    *b"{ } [ ] : ,".split(), b'"', *b"null true NaN Infinity 1e400 \\u0000 \\ud800".split(),
    *b"18446744073709551616 -9223372036854775809".split(),
    b"1" + b"0" * 400, b"[" * 40, b"\xef\xbb\xbf", *NUMBERS,
]  # fmt: skip
SENML_WORDS = [b'"%s":' % it for it in b"bn bt bu bv bs bver n u v vs vb vd s t".split()]
SENML_WORDS += [b'{"n":"x","v":1}', b'"ut":1', b'"x_":1', b",{", b'"m"', *JSON_WORDS]
JOURNAL_WORDS = [b'"%s":' % it for it in b"k t c n v d q do by with of about alarm".split()]
JOURNAL_WORDS += [b'"reading"', b'"tick"', b'"action"', b'"notice"', b'"alarm"', b'"old"', b'"late":true', *JSON_WORDS]

TARGETS = (
    Target(
        "nmea", good_nmea, [b"$", b"*", b",", b"\r\n", b"$IIXDR,", b"P,1,B,", b"XDR", b"*00", b"\x00", *NUMBERS], try_nmea, [nmea],
        mend_nmea,
    ),
    Target("senml", good_senml, SENML_WORDS, try_senml, [senml]),
    Target("json", good_json, [b'"now":', b'"t":', b'"a/b":', b'"x":', *JSON_WORDS], try_json, [payload]),
    Target("number", good_number, [b"e", b"E", b"+", b"-", b".", b"\n", b"\x00", *NUMBERS], try_number, [payload]),
    Target("lines", good_lines, [b"=", b":", b"bar", "°".encode(), b"\n", b"\r", b" ", b"\x85", *NUMBERS], try_lines, [lines]),
    Target("journal", good_journal, JOURNAL_WORDS, try_journal, [codec]),
    Target(
        "modbus", good_modbus, [b"\x07\x03\x08", b"\x07\x83\x02", b"\x07\x04", b"\x08", b"\x00" * 8, b"\xff" * 8], try_modbus,
        [registers, rtu], mend_modbus,
    ),
)  # fmt: skip
